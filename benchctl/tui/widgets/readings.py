"""Readings against their limits: number, bar, limit; one line each."""

from __future__ import annotations

import math

from benchctl.report import words
from benchctl.runs.summary import StageState, StageSummary
from benchctl.terms import Reading, Verdict
from benchctl.tui.widgets.lines import Line, Lines, Part, fit, line, right, wrapped
from benchctl.tui.widgets.stages import TONES
from benchctl.units import number, shown

#: from here on there is room for the verdict's word; for long limits and fine bars too
_WORDED, _WIDE = 60, 80


def split_name(name: str) -> tuple[str, str]:
    """Whose reading it is and what: "hand_to_craft.latency_p50" is "hand→craft" and "latency p50"."""
    head, dot, tail = name.partition(".")
    if not dot:
        return "", words.said(name)
    return words.said(head.replace("_to_", "→")), words.said(tail)


def bar(reading: Reading, width: int) -> str:
    """The value's place between its limits: "├──●──┤" is inside, "├─────┤●" beyond the upper one."""
    limit = reading.limit
    if limit is None or (limit.min is None and limit.max is None) or not math.isfinite(reading.value) or width < 5:
        return " " * width
    low, high = _span(reading)
    inner = width - 4
    part = (reading.value - low) / ((high - low) or 1.0)
    track = f"{'├' if limit.min is not None else '╶'}{'─' * inner}{'┤' if limit.max is not None else '╴'}"
    if limit.min is not None and reading.value < limit.min:
        return f"●{track} "
    if limit.max is not None and reading.value > limit.max:
        return f" {track}●"
    place = 1 + min(inner - 1, max(0, round(part * (inner - 1))))
    return f" {track[:place]}●{track[place + 1 :]} "


def _span(reading: Reading) -> tuple[float, float]:
    """What the bar spans: the limits; with one of them, from zero or to twice it."""
    assert reading.limit is not None
    low, high = reading.limit.min, reading.limit.max
    if low is None:
        assert high is not None
        return min(0.0, reading.value, -high if high < 0 else 0.0), high
    if high is None:
        return low, max(2 * abs(low), reading.value, low + 1e-9)
    return low, high


def value_text(reading: Reading, digits: int) -> str:
    """ "0.4 %"; what could not be measured is a dash."""
    return f"{words.figure(reading, digits)} {shown(reading.unit)}".rstrip()


def reading_lines(reading: Reading, provisional: bool, width: int) -> list[Line]:
    """One reading in a line; in two where its name is long for the width."""
    word = "so far" if provisional else str(reading.verdict) if reading.verdict else "no limit"
    sign = "…" if provisional else reading.verdict.sign if reading.verdict else "·"
    tone = "" if provisional else TONES.get(word, "soft")
    wide = width >= _WIDE
    value_width, bar_width, limit_width, digits = (13, 17, 16, 4) if wide else (10, 8, 9, 3)
    name_width = width - value_width - bar_width - limit_width - 5 - (11 if width >= _WORDED else 0)
    name = split_name(reading.name)[1]
    own_line = len(name) > name_width
    parts: list[Part | str] = [
        (f"{sign} ", tone),
        "" if own_line else fit(name, name_width),
        (f" {right(value_text(reading, digits), value_width + (name_width if own_line else 0))}", "strong"),
        (f" {bar(reading, bar_width)}", tone),
        (f" {fit(_limit(reading, wide), limit_width)}", "soft"),
        (f" {word:<10}", tone) if width >= _WORDED else "",
    ]
    return [line(f"  {name}"), line(*parts)] if own_line else [line(*parts)]


def _limit(reading: Reading, wide: bool) -> str:
    low, high = (reading.limit.min, reading.limit.max) if reading.limit else (None, None)
    if low is None or high is None or wide:
        return words.limit(reading)
    if low == -high:
        return f"±{number(high)}"
    return f"= {number(low)}" if low == high else f"{number(low)}–{number(high)}"


def all_lines(stage: StageSummary, width: int) -> list[Line]:
    """All readings of a stage, under a heading for each board or direction."""
    out: list[Line] = []
    group = ""
    for reading in stage.readings.values():
        whose = split_name(reading.name)[0]
        if whose != group:
            group = whose
            out.append(line((whose or "both boards", "soft")))
        out += reading_lines(reading, reading.name in stage.provisional, width)
    return out


def stage_head(stage: StageSummary, now: float, width: int) -> list[Line]:
    """Title with the time left, instruction in two lines, progress: four lines, whatever the stage says."""
    told = wrapped(words.clean(stage.instruction), width)[:2]
    told += [()] * (2 - len(told))
    left = _time_left(stage, now)
    title = fit(stage.title or stage.name, width - len(left) - 1)
    return [line((title, "strong"), (f" {left}", "soft")), *told, progress_line(stage, width)]


def _time_left(stage: StageSummary, now: float) -> str:
    if stage.state is not StageState.RUNNING:
        return f"took {words.duration(stage.seconds)}" if stage.state is StageState.ENDED else ""
    left = stage.time_left(now)
    if left is None:
        return f"{words.duration(now - stage.began)} so far"
    return f"about {words.duration(left)} left" if left > 0 else "longer than usual"


def progress_line(stage: StageSummary, width: int) -> Line:
    """A bar where the stage says how far it is, and the step it is at; its verdict once there is one."""
    if stage.state is StageState.ENDED:
        reason = f"  {words.sentence(words.clean(stage.reason))}" if stage.reason else ""
        head = f"{stage.sign} {stage.word}"
        return line((head, TONES.get(stage.word, "")), (fit(reason, width - len(head)), "soft"))
    part = stage.part_done
    step = short_step(stage.progress.text) if stage.progress else ""
    if part is None:
        return line((fit(step, width), "soft"))
    room = max(6, min(24, width - len(step) - 8))
    filled = round(part * room)
    head = f"{'█' * filled}{'░' * (room - filled)}"
    return line((head, "note"), (fit(f" {100 * part:>3.0f} %  {step}", width - room), "soft"))


def short_step(text: str) -> str:
    """What a stage says of its present step, with directions as arrows."""
    return words.said(words.clean(text).replace("_to_", "→"))


class HeadPane(Lines):
    """What the running stage is about, and how far it is."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stage: StageSummary | None = None
        self.now = 0.0

    def build(self, width: int, height: int) -> list[Line]:
        if self.stage is None:
            return [line(("No stage is running.", "soft"))]
        return stage_head(self.stage, self.now, width)


class ReadingsPane(Lines):
    """The readings of one stage, the latest in view while nobody scrolls."""

    can_focus = True

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stage: StageSummary | None = None
        self.problem = ""  # shown in place of readings
        self._count = 0

    def build(self, width: int, height: int) -> list[Line]:
        stage = self.stage
        if self.problem:
            return wrapped(self.problem, width, "bad")
        if stage is None or not stage.readings:
            why = stage.reason if stage is not None and stage.verdict is Verdict.NOT_RUN else "No reading yet."
            return wrapped(words.sentence(words.clean(why)), width, "soft")
        return all_lines(stage, width)

    def renew(self) -> None:
        super().renew()
        count = len(self._shown)
        if count != self._count:
            self._count = count
            if not self.has_focus:
                self.scroll_to(y=max(0, count - self.size.height), animate=False)
