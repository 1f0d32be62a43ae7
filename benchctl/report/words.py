"""The sentences that all reports share, so that they say the same."""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from benchctl import events as ev
from benchctl.facts import WiringFound, WiringUnsure
from benchctl.pairfile import pins
from benchctl.runs.summary import BoardSummary, LivePeriod, RunState, StageState, StageSummary, Summary
from benchctl.terms import Reading, Source, Verdict, readable
from benchctl.units import number, quantity, scaled, shown, with_interval

NOTHING_REAL = "Rehearsal on a modelled bench: no board, no radio and no motor was real, and this proves no board good."

#: where a reading's uncertainty comes from, in words
SOURCES = {
    Source.COUNTING: "counting",
    Source.SAMPLING: "scatter",
    Source.CLOCK: "clocks",
    Source.ADC: "converter",
    Source.OPERATOR: "person",
    Source.NONE: "",
}


def moment(wall: str) -> str:
    """ "14 March 2026, 10:15 UTC"; the text itself where it is no time."""
    try:
        found = datetime.fromisoformat(wall)
    except ValueError:
        return wall or "time unknown"
    if found.tzinfo is not None:
        found = found.astimezone(UTC)
    return f"{found.day} {found:%B %Y, %H:%M} UTC"


def when(s: Summary) -> str:
    """When the run began, with the local time of the bench beside it where that is another one."""
    told = moment(s.wall)
    try:
        local = datetime.fromisoformat(s.wall) + timedelta(minutes=s.zone_min or 0)
    except ValueError:
        return told
    return f"{told} ({local:%H:%M} local time)" if s.zone_min else told


def several(s: Summary) -> str:
    """What to know of more than one cause, "" of one."""
    if len(s.findings) < 2:
        return ""
    return (
        "More than one of these can hold at once: each confidence is its cause's own, and together they may be more "
        "or less than 100 %. Begin with the first, and run again."
    )


def duration(seconds: float) -> str:
    """ "0.8 s", "42 s", "3 min 05 s", "2 h 10 min"."""
    if not seconds < float("inf"):
        return "–"
    if seconds < 9.95:
        return f"{max(0.0, seconds):.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def clock(t: float) -> str:
    """A moment of the run as "+ 12:34.5", hours in front where needed."""
    minutes, seconds = divmod(max(0.0, round(t, 1)), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"+{hours}:{minutes:02d}:{seconds:04.1f}" if hours else f"+{minutes:02d}:{seconds:04.1f}"


def many(count: int, one: str, more: str = "") -> str:
    """ "1 board", "2 boards"."""
    return f"{count} {one if count == 1 else more or one + 's'}"


def names(items: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def limit(r: Reading) -> str:
    """The limit, brief: "max 0.3 V", "4.5 … 5.5 V", "exactly 0"."""
    low, high = (r.limit.min, r.limit.max) if r.limit else (None, None)
    if low is None or high is None:
        side, bound = ("min", low) if low is not None else ("max", high)
        return f"{side} {quantity(bound, r.unit)}" if bound is not None else ""
    if low == high:
        return f"exactly {quantity(low, r.unit)}"
    factor, unit = scaled(max(abs(low), abs(high)), r.unit)
    ends = f"±{number(high * factor)}" if low == -high else f"{number(low * factor)} … {number(high * factor)}"
    return f"{ends} {shown(unit)}".rstrip()


def value(r: Reading, digits: int = 4) -> str:
    """The value with its unit, no finer than its interval bears."""
    return quantity(r.value, r.unit, digits, r.half)


def interval(r: Reading) -> str:
    """The confidence interval in the value's unit, which it does not repeat: "0.10 … 0.90"."""
    return with_interval(r.value, r.unit, r.interval.low, r.interval.high)[1] if r.interval else ""


def untested(s: Summary) -> list[tuple[str, str]]:
    """What was not tested: titles that share a reason, and the reason."""
    by_reason: dict[str, list[str]] = {}
    for u in s.untested:
        by_reason.setdefault(u.reason, []).append(u.title or u.stage)
    return [(names(titles), reason) for reason, titles in by_reason.items()]


def remark(r: Reading) -> str:
    """A reading's note and, where physics sets one, what is possible at best and how much is the design's."""
    out = [r.note] if r.note else []
    if r.floor is not None:
        own = quantity(r.value - r.floor, r.unit, 3)
        share = f"; the other {own} is the design's" if r.value > r.floor else ""
        out.append(f"physics allows {quantity(r.floor, r.unit)} at best{share}")
    return "; ".join(out)


def cut_offs(s: Summary) -> Iterator[str]:
    """The cut-off times measured, one sentence each."""
    for stage in s.stages.values():
        if stage.kind == "link_loss_cut":
            for r in stage.readings.values():
                if r.unit in ("ms", "s", "us"):
                    judged = f": {r.verdict}" if r.verdict else ""
                    allowed = f" ({r.limit.text(r.unit)})" if r.limit else ""
                    yield f"{sentence(r.called)[:-1]}: {r.text()}{allowed}{judged}."


def notes(stage: StageSummary) -> list[str]:
    """The notes of a stage; the cautions, which a report has in full anyway, are only said to have been shown, and
    drawings that went with a question are left out."""
    told = noted([n for n in stage.notes if n.level not in ("caution", "drawing")])
    return ["The cautions were shown.", *told] if any(n.level == "caution" for n in stage.notes) else told


def noted(notes: Sequence[ev.Note]) -> list[str]:
    """Notes as lines, what came several times once."""
    counts = Counter(f"Warning: {n.text}" if n.level == "warning" else n.text for n in notes)
    return [text if count == 1 else f"{text} ({count} times)" for text, count in counts.items()]


def clean(text: str) -> str:
    """Text from boards and people without control characters, so that it can steer neither terminal nor page."""
    return "".join(c if unicodedata.category(c)[0] != "C" else " " for c in text)


def confidence(value: float) -> str:
    """A probability in percent, never said to be certain."""
    if value != value:
        return "confidence unknown"
    percent = min(99.0, max(1.0, 100 * value))
    return f"{percent:.0f}\u00a0%\u00a0sure"


def image(b: BoardSummary) -> str:
    """Firmware, image and clock of a board in one clause."""
    if not b.seen:
        return ""
    via = f", through {b.via}" if b.via else ""
    return f"firmware {b.firmware}, image {b.image_crc}, {b.clock_hz / 1e6:g} MHz{via}"


def board_trouble(b: BoardSummary) -> str:
    """What went wrong with a board, "" when nothing did."""
    out = []
    if b.lost:
        out.append(f"lost: {b.lost_reason}")
    elif b.losses:
        out.append(f"lost for a while, {many(b.losses, 'time')}")
    unasked = [r for r in b.resets if not r.asked]
    if unasked:
        causes = sorted({r.cause for r in unasked})
        out.append(f"{many(len(unasked), 'unexpected restart')} ({', '.join(causes)})")
    if b.damaged or b.lost_events:
        out.append(f"{many(b.damaged, 'damaged frame')}, {many(b.lost_events, 'lost event')} on its port")
    return "; ".join(out)


def stage_verdict(stage: StageSummary) -> Verdict:
    """The stage's verdict; a stage that never ended was not run, one that was cut off is undecided."""
    if stage.verdict is not None:
        return stage.verdict
    return Verdict.UNDECIDED if stage.state is StageState.RUNNING else Verdict.NOT_RUN


def stage_reason(stage: StageSummary, s: Summary) -> str:
    """Why a stage ended as it did, or was not run."""
    if stage.reason:
        return stage.reason
    return next((u.reason for u in s.untested if u.stage == stage.name), "")


def interruptions(s: Summary) -> Iterator[str]:
    """Why the run is not whole."""
    if s.state is RunState.ABORTED:
        yield "The run was cut off before its end; what follows is what was recorded until then."
    if s.stop is not None:
        yield f"The run was stopped at {clock(s.stop.t)} ({_STOPPED_BY.get(s.stop.by, s.stop.by)})."
    if s.missing:
        yield f"The record is not whole: {s.missing}."


_STOPPED_BY = {
    "key": "stop key",
    "signal": "signal from the system",
    "closed": "program closed",
    "error": "an error",
}


def overview(s: Summary) -> Iterator[str]:
    """The run in a few sentences: how many stages, what failed, what stayed open, the first cause."""
    total = len(s.stages)
    counts = [(s.count(v), str(v)) for v in (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED)]
    not_run = total - sum(c for c, _ in counts)
    told = [f"{c} {w}" for c, w in [*counts, (not_run, "not run")] if c]
    if total:
        yield f"{many(total, 'stage')}: {names(told)}."
    for stage in s.stages.values():
        if stage.verdict in (Verdict.FAIL, Verdict.UNDECIDED):
            yield f"{stage.title or stage.name}: {stage.verdict}. {sentence(stage.reason)}".rstrip()
    if s.findings:
        f = s.findings[0]
        where = f" on {s.label(f.board)}" if f.board else ""
        yield f"Most likely cause: {f.title}{where} ({confidence(f.confidence)}). {sentence(f.remedy)}".rstrip()


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    head = text if re.match(r"\w+[._]\w", text) else text[0].upper() + text[1:]
    return head if head[-1] in ".!?…" else f"{head}."


def attested(a: ev.Attestation) -> str:
    """How a statement was proven and how long it counted."""
    if not a.accepted:
        return f"not accepted: asked for {a.challenge}, answered {a.answer or 'nothing'}"
    until = f", valid until {clock(a.expires)}" if a.t < a.expires < float("inf") else ""
    return f"proven by {a.challenge}{until}" if a.challenge else f"stated{until}"


@dataclass(frozen=True, slots=True)
class Stated:
    """A statement of the operator, every time that it was made."""

    text: str
    times: tuple[ev.Attestation, ...]

    @property
    def accepted(self) -> bool:
        """Whether every time it was stated, it was accepted."""
        return all(a.accepted for a in self.times)

    @property
    def proofs(self) -> str:
        """ "+01:02.3 alder, +02:03.4 fern; each counts for 10 min 00 s"; what was not accepted in full."""
        told = [f"{clock(a.t)} {a.challenge or 'stated'}" if a.accepted else f"{clock(a.t)} {attested(a)}"
                for a in self.times]  # fmt: skip
        counts = {round(a.expires - a.t) for a in self.times if a.accepted and a.t < a.expires < math.inf}
        each, long = "each " if len(told) > 1 else "", duration(max(counts, default=0.0)).removesuffix(" 00 s")
        lasts = f"; {each}counts for {long}" if counts else ""
        return f"{', '.join(told)}{lasts}"


def stated(s: Summary) -> list[Stated]:
    """What the operator stated: each statement once, in the order in which they first came."""
    by_text: dict[str, list[ev.Attestation]] = {}
    for a in s.attestations:
        by_text.setdefault(a.text, []).append(a)
    return [Stated(text, tuple(times)) for text, times in by_text.items()]


def live_period(p: LivePeriod) -> str:
    """When outputs were live, in one sentence."""
    end = f"until {clock(p.until)}" if p.until is not None else "to the end of the record"
    what = p.text or "outputs live"
    return f"{clock(p.since)} {end}: {what}, throttle capped at {number(100 * p.cap)} %"


def live_stages(s: Summary) -> list[tuple[str, list[LivePeriod]]]:
    """The times in which outputs were live, by stage: a sentence on all of a stage's, and each of them."""
    by_stage: dict[str, list[LivePeriod]] = {}
    for p in s.live_periods:
        by_stage.setdefault(p.stage, []).append(p)
    return [(_live_in_all(s, periods), periods) for periods in by_stage.values()]


def _live_in_all(s: Summary, periods: list[LivePeriod]) -> str:
    stage, last = s.stages.get(periods[0].stage), periods[-1].until
    whole = sum((s.t if p.until is None else p.until) - p.since for p in periods)
    end = f"until {clock(last)}" if last is not None else "to the end of the record"
    cap = number(100 * max(p.cap for p in periods))
    title = (stage.title if stage else "") or readable(periods[0].stage)
    often = f"{len(periods)} times, " if len(periods) > 1 else ""
    return (
        f"{clock(periods[0].since)} {end}: {title}, outputs live {often}for {duration(whole)}, "
        f"throttle capped at {cap} %"
    )


def origin(s: Summary) -> list[tuple[str, str]]:
    """Everything that is needed to repeat the run, by name."""
    rows = [
        ("benchctl", s.version),
        ("procedure", s.procedure),
        ("procedure sha256", s.procedure_sha256),
        ("bench", f"{s.bench} ({s.bench_kind})" if s.bench_kind != s.bench else s.bench),
        ("bench sha256", s.bench_sha256),
        ("seed", str(s.seed)),
        ("operator", s.operator or "none"),
        ("started", s.wall),
        ("ended", s.wall_end or "not recorded"),
    ]
    rows += [
        (f"{role} image given", f"{i.get('file', '')} sha256 {i.get('sha256', '')}") for role, i in s.images.items()
    ]
    return [*rows, *((f"{b.role} image", f"{b.firmware} {b.image_crc}") for b in s.boards.values() if b.seen)]


def wiring(fact: WiringFound | WiringUnsure) -> str:
    """What the search for the wiring has found or not, with pins by both of their names."""
    if isinstance(fact, WiringFound) and fact.key.startswith("pins.") and isinstance(fact.value, str):
        return replace(fact, value=pins.shown(fact.value)).sentence()
    return fact.sentence()
