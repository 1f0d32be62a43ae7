"""Two runs, reading by reading: same, better, worse or undecided, by equivalence tests with the procedure's margins."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchctl.analysis.equivalence import (
    Better,
    Evidence,
    Margin,
    Outcome,
    compare_proportions,
    compare_readings,
    decide,
)
from benchctl.errors import UsageError
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Reading, Role, Source, Verdict, readable


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of both runs. evidence None: it only informs (nothing says how uncertain it is)."""

    stage: str
    reference: Reading
    new: Reading
    evidence: Evidence | None

    @property
    def outcome(self) -> Outcome | None:
        """Same, better, worse or undecided; None where nothing can be said."""
        return self.evidence.outcome if self.evidence is not None else None


@dataclass(frozen=True, slots=True)
class Comparison:
    """The whole comparison. differences: what is not alike between the runs, said and not hidden.

    missing: "stage.reading" measured in the reference only. verdicts: stages whose verdict changed, as
    (stage, reference's, new one's). sides: both runs in a line each: when, which boards, which images. titles: of the
    stages. alpha: what the outcomes were decided at.
    """

    reference: str
    new: str
    rows: tuple[Row, ...]
    differences: tuple[str, ...]
    missing: tuple[str, ...]
    verdicts: tuple[tuple[str, Verdict | None, Verdict | None], ...]
    sides: tuple[str, str] = ("", "")
    titles: Mapping[str, str] = field(default_factory=dict)
    alpha: float = 0.05

    def title(self, stage: str) -> str:
        """What people call a stage."""
        return self.titles.get(stage) or readable(stage)

    def gone(self) -> list[str]:
        """What only the reference has measured, one sentence a stage."""
        by_stage: dict[str, list[str]] = {}
        for name in self.missing:
            stage, _, reading = name.partition(".")
            by_stage.setdefault(stage, []).append(readable(reading))
        return [
            f"{self.title(stage)}: only the reference has {', '.join(names[:4])}"
            + (f" and {len(names) - 4} more" if len(names) > 4 else "")
            for stage, names in by_stage.items()
        ]

    def ended(self) -> list[str]:
        """Stages that ended otherwise, one sentence each."""
        return [
            f"Stage {self.title(stage)} was {old or 'not there'}, now {now or 'not there'}"
            for stage, old, now in self.verdicts
        ]

    def having(self, outcome: Outcome) -> list[Row]:
        """The rows with this outcome."""
        return [r for r in self.rows if r.outcome is outcome]

    @property
    def verdict(self) -> Verdict:
        """fail: something is worse, or a stage that passed does not; undecided: too few samples; else pass."""
        got_worse = any(old is Verdict.PASS and new is Verdict.FAIL for _, old, new in self.verdicts)
        if self.having(Outcome.WORSE) or got_worse:
            return Verdict.FAIL
        thin = self.having(Outcome.UNDECIDED) or self.missing
        return Verdict.UNDECIDED if thin else Verdict.PASS


def compare(reference: Summary, new: Summary, *, alpha: float = 0.05) -> Comparison:
    """Compare a run with its reference.

    alpha: chance of any false "worse" over all readings. Raises UsageError when the runs are of different
    procedures or different kinds of bench: their numbers do not mean the same.
    """
    refuse_unlike(reference, new.procedure, new.bench_kind, f"run {_called(new)}")
    pairs, missing = [], []
    for stage_name, stage in reference.stages.items():
        other = new.stages.get(stage_name)
        for name, reading in stage.readings.items():
            found = other.readings.get(name) if other is not None else None
            if found is None or (reading.measured and not found.measured):
                if reading.measured:
                    missing.append(f"{stage_name}.{name}")
            elif reading.measured:
                pairs.append((stage_name, reading, found, _evidence(stage, reading, found)))
    judged = iter(decide([e for *_, e in pairs if e is not None], alpha))
    rows = tuple(Row(s, a, b, next(judged) if e is not None else None) for s, a, b, e in pairs)
    return Comparison(
        reference.run,
        new.run,
        rows,
        tuple(_differences(reference, new)),
        tuple(missing),
        _verdicts(reference, new),
        (_side(reference), _side(new)),
        {s.name: s.title for s in (*reference.stages.values(), *new.stages.values()) if s.title},
        alpha,
    )


def _side(s: Summary) -> str:
    seen = (b for b in s.boards.values() if b.seen)
    boards = ", ".join(f"{b.role} {b.label or 'without a label'} (image {b.image_crc})" for b in seen)
    return f"{s.wall[:16].replace('T', ' ')} UTC: {boards or 'no board seen'}"


def undecided_why(row: Row, alpha: float = 0.05) -> str:
    """Why a reading is left open, and which run would decide it; "" where it is not open."""
    e = row.evidence
    if e is None or e.outcome is not Outcome.UNDECIDED:
        return ""
    if as_shares(row.reference, row.new):
        more = more_trials(_hits(row.reference), _hits(row.new), e.margin, alpha)
        if more is None:
            return "the change is about as large as the margin; only a much longer run of both tells"
        return f"too few packets; a new run with {more} more would decide it, if they go as these did"
    if not math.isfinite(e.change) or e.margin <= 0:
        return "it has no finite interval in one of the runs; a run with more samples gives it one"
    if abs(e.change) >= e.margin:
        return "the change is as large as the margin and its interval reaches back over it; a longer run tells"
    return "the intervals are wider than what the margin leaves; a run with four times the samples halves them"


#: beyond so many times what there was, a run is no advice
_LONGEST = 200


def more_trials(reference: tuple[int, int], new: tuple[int, int], margin: float, alpha: float) -> int | None:
    """How many more trials of the new run show "same", if hits come at the rate seen; None: no reasonable number does.

    margin: as a share of 1. Where the reference is what is thin, the reference would have to grow too: None.
    """
    hits, n = new

    def shows(more: int) -> bool:
        whole = n + more
        found = compare_proportions("", reference, (round(hits * whole / n), whole), Margin(absolute=margin))
        return found.p_same <= alpha

    high = max(1, n // 8)
    while not shows(high):
        high *= 2
        if high > _LONGEST * n:
            return None
    low = 0
    while high - low > max(1, n // 100):
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def refuse_unlike(reference: Summary, procedure: str, bench_kind: str, called: str = "the new run") -> None:
    """Raises UsageError where a run of that procedure on that kind of bench cannot be compared with the reference;
    names the images given, where there were any: two runs are easily taken for each other."""
    if reference.procedure != procedure:
        raise UsageError(
            f"{called} is of procedure {procedure}, the reference {_called(reference)} of {reference.procedure}; "
            f"only runs of one procedure can be compared"
        )
    if reference.bench_kind != bench_kind:
        raise UsageError(
            f"{called} is of a {bench_kind} bench, the reference {_called(reference)} of a {reference.bench_kind} "
            f"one; only runs of one kind of bench can be compared"
        )


def _called(s: Summary) -> str:
    given = ", ".join(f"{role} {_image(i)}" for role, i in s.images.items())
    return f"{s.run} ({given})" if given else s.run


def _image(image: Mapping[str, str] | None) -> str:
    if image is None:
        return "the bench's own image"
    return f"{image.get('file', '?')} {image.get('sha256', '')[:12]}"


def _differences(reference: Summary, new: Summary) -> Iterator[str]:
    """What differs besides the readings, in sentences."""
    if reference.procedure_sha256 != new.procedure_sha256:
        yield f"procedure {new.procedure} was changed between the two runs"
    if reference.bench_sha256 != new.bench_sha256:
        was = f": it was {reference.bench}, now it is {new.bench}" if reference.bench != new.bench else ""
        yield f"the bench description was changed between the two runs{was}"
    for role in sorted({*reference.images, *new.images}):
        before, after = reference.images.get(role), new.images.get(role)
        if (before or {}).get("sha256") != (after or {}).get("sha256"):
            yield f"the {role} board's image was {_image(before)}, now it is {_image(after)}"
    for told in reference.labels.keys() & new.labels.keys():
        was, now = reference.labels[told], new.labels[told]
        unseen = not any(told in s.boards and s.boards[Role(told)].seen for s in (reference, new))
        if was != now and unseen:
            yield f"the {told} board was {was}, now it is {now}"
    for extra in new.boards.keys() - reference.boards.keys():
        yield f"the reference has no {extra} board"
    for role, board in reference.boards.items():
        other = new.boards.get(role)
        if other is None:
            yield f"the new run has no {role} board"
            continue
        if board.label != other.label:
            yield f"the {role} board was {board.label}, now it is {other.label}"
        if (board.firmware, board.image_crc) != (other.firmware, other.image_crc):
            was, now = f"{board.firmware} ({board.image_crc})", f"{other.firmware} ({other.image_crc})"
            yield f"the {role} board's firmware was {was}, now it is {now}"


def _verdicts(reference: Summary, new: Summary) -> tuple[tuple[str, Verdict | None, Verdict | None], ...]:
    changed = []
    for name, stage in reference.stages.items():
        other = new.stages.get(name)
        now = other.verdict if other is not None else None
        if stage.verdict is not now:
            changed.append((name, stage.verdict, now))
    return tuple(changed)


def _evidence(stage: StageSummary, reference: Reading, new: Reading) -> Evidence | None:
    """Evidence about one reading; None where nothing says how uncertain it is, or it has no margin."""
    told = stage.margins.get(reference.name) or stage.margins.get(reference.short_name)
    if told is None or reference.unit != new.unit:
        return None
    if as_shares(reference, new):
        margin = _margin(told, reference.value, 0.01)
        return compare_proportions(new.name, _hits(reference), _hits(new), margin)
    known = reference.interval is not None and new.interval is not None
    if known or (reference.source is Source.NONE and new.source is Source.NONE):
        return compare_readings(reference, new, _margin(told, reference.value, 1.0))
    return None


def as_shares(reference: Reading, new: Reading) -> bool:
    """Both are counted shares: they are compared as such, and their margin is one of 1 rather than of 100 %."""
    counted = reference.source is Source.COUNTING and new.source is Source.COUNTING
    return reference.unit == "%" and counted and reference.n > 0 and new.n > 0


def _hits(reading: Reading) -> tuple[int, int]:
    return round(reading.value / 100 * reading.n), reading.n


def _margin(told: Mapping[str, float | bool | str], reference: float, scale: float) -> Margin:
    """The margin in units of `scale`; "same" means that either direction is for the worse."""
    size = told.get("margin")
    if not isinstance(size, int | float) or not 0 <= size < math.inf:
        raise UsageError(f"the reference run's margin of a reading: expected a number from 0, got {size!r}")
    better = str(told.get("better", "same"))
    sizes = {"relative": size / 100} if told.get("relative") else {"absolute": size * scale}
    if better == "same":
        return Margin(**sizes, better=Better.TARGET, target=reference * scale)
    return Margin(**sizes, better=Better.HIGHER if better == "higher" else Better.LOWER)


def as_json(found: Comparison) -> dict[str, Any]:
    """The comparison as plain data: the verdict, a row per reading, and all that differs besides."""
    return {
        "reference": found.reference,
        "new": found.new,
        "verdict": str(found.verdict),
        "counts": {str(o): len(found.having(o)) for o in Outcome},
        "readings": [_row_json(r) for r in found.rows],
        "missing": list(found.missing),
        "differences": list(found.differences),
        "verdicts": [
            {"stage": s, "reference": old and str(old), "new": now and str(now)} for s, old, now in found.verdicts
        ],
    }


def _row_json(row: Row) -> dict[str, Any]:
    values = {
        side: {
            "value": r.value if math.isfinite(r.value) else None,
            "n": r.n,
            "low": _finite(r.interval.low) if r.interval else None,
            "high": _finite(r.interval.high) if r.interval else None,
            "level": r.interval.level if r.interval else None,
        }
        for side, r in (("reference", row.reference), ("new", row.new))
    }
    tests = None
    if row.evidence is not None:
        e = row.evidence
        tests = {"margin": e.margin, "p_worse": e.p_worse, "p_better": e.p_better, "p_same": e.p_same}
    outcome = row.outcome and str(row.outcome)
    return {
        "stage": row.stage, "reading": row.new.name, "unit": row.new.unit, "outcome": outcome, **values, "tests": tests,
    }  # fmt: skip


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
