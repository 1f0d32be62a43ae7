"""Readings against their limits: number, bar, limit; one line each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchctl.report import words
from benchctl.runs.summary import StageState, StageSummary
from benchctl.terms import Limit, Reading, Verdict, readable
from benchctl.tui.widgets.lines import Line, Lines, Part, fit, line, right, wrapped
from benchctl.tui.widgets.stages import TONES

#: from here on there is room for the verdict's word; for long limits and fine bars too
_WORDED, _WIDE = 60, 80
#: of a stage's head, where its instruction takes no more than three
HEAD_ROWS = 5


def bar(reading: Reading, width: int, earlier: float | None = None) -> str:
    """The value's place between its limits: "├──●──┤" is inside, "├─────┤●" beyond the upper one.

    earlier: a value of before, marked "○"; "◉" where both have the same place.
    """
    limit = reading.limit
    if limit is None or (limit.min is None and limit.max is None) or not math.isfinite(reading.value) or width < 5:
        return " " * width
    values = [v for v in (reading.value, earlier) if v is not None and math.isfinite(v)]
    low, high = _span(limit, values)
    inner = width - 4
    cells = list(f" {'├' if limit.min is not None else '╶'}{'─' * inner}{'┤' if limit.max is not None else '╴'} ")
    for number, value in reversed(list(enumerate(values))):
        if limit.min is not None and value < limit.min:
            place = 0
        elif limit.max is not None and value > limit.max:
            place = width - 1
        else:
            part = (value - low) / ((high - low) or 1.0)
            place = 2 + min(inner - 1, max(0, round(part * (inner - 1))))
        cells[place] = "○" if number else "◉" if cells[place] == "○" else "●"
    return "".join(cells)


def _span(limit: Limit, values: Sequence[float]) -> tuple[float, float]:
    """What the bar spans: the limits; with one of them, from zero or to twice it, and to the values."""
    low, high = limit.min, limit.max
    if low is None:
        assert high is not None
        return min(0.0, *values, -high if high < 0 else 0.0), high
    if high is None:
        return low, max(2 * abs(low), *values, low + 1e-9)
    return low, high


def value_text(reading: Reading, digits: int) -> str:
    """ "0.4 %"; what could not be measured is a dash."""
    return words.value(reading, digits)


def reading_lines(reading: Reading, provisional: bool, width: int, earlier: float | None = None) -> list[Line]:
    """One reading in a line; in two where its name is long for the width. earlier: its value in the run before."""
    word = "so far" if provisional else str(reading.verdict) if reading.verdict else "no limit"
    sign = "…" if provisional else reading.verdict.sign if reading.verdict else "·"
    tone = "" if provisional else TONES.get(word, "soft")
    wide = width >= _WIDE
    value_width, bar_width, limit_width, digits = (13, 17, 18, 4) if wide else (11, 7, 11, 3)
    name_width = width - value_width - bar_width - limit_width - 5 - (11 if width >= _WORDED else 0)
    name = reading.what
    own_line = len(name) > name_width
    parts: list[Part | str] = [
        (f"{sign} ", tone),
        "" if own_line else fit(name, name_width),
        (f" {right(value_text(reading, digits), value_width + (name_width if own_line else 0))}", "strong"),
        (f" {bar(reading, bar_width, earlier)}", tone),
        (f" {fit(_limit(reading, wide), limit_width)}", "soft"),
        (f" {word:<10}", tone) if width >= _WORDED else "",
    ]
    return [line(f"  {name}"), line(*parts)] if own_line else [line(*parts)]


def _limit(reading: Reading, wide: bool) -> str:
    told = words.limit(reading)
    return told if wide else told.replace(" … ", "–").replace("exactly ", "= ")


def all_lines(stage: StageSummary, width: int, before: Mapping[str, Reading] | None = None) -> list[Line]:
    """All readings of a stage, under a heading for each board or direction. before: of the run before, by name."""
    out: list[Line] = []
    group = ""
    for reading in stage.readings.values():
        whose = readable(reading.subject)
        if whose != group:
            group = whose
            out.append(line((whose or "both boards", "soft")))
        old = before.get(reading.name) if before else None
        out += reading_lines(reading, reading.name in stage.provisional, width, old.value if old else None)
    return out


def stage_head(stage: StageSummary, now: float, width: int, *, waiting: bool = False) -> list[Line]:
    """Title with the time left, the whole instruction, progress: five lines, and no more than it takes.

    waiting: the stage waits for an answer.
    """
    told = wrapped(words.clean(stage.instruction), width)
    told += [()] * (HEAD_ROWS - 2 - len(told))
    left = "waits for your answer" if waiting else _time_left(stage, now)
    title = fit(stage.title or stage.name, width - len(left) - 1)
    return [line((title, "strong"), (f" {left}", "soft")), *told, progress_line(stage, now, width)]


def _time_left(stage: StageSummary, now: float) -> str:
    if stage.state is not StageState.RUNNING:
        return f"took {words.duration(stage.seconds)}" if stage.state is StageState.ENDED else ""
    left = stage.time_left(now)
    if left is None:
        return f"{words.duration(now - stage.began)} so far"
    return f"about {words.duration(left)} left" if left > 0 else "longer than usual"


def progress_line(stage: StageSummary, now: float, width: int) -> Line:
    """A bar of the stage's usual time, and the step it is at; its verdict once there is one."""
    if stage.state is StageState.ENDED:
        reason = f"  {words.sentence(words.clean(stage.reason))}" if stage.reason else ""
        head = f"{stage.sign} {stage.word}"
        return line((head, TONES.get(stage.word, "")), (fit(reason, width - len(head)), "soft"))
    part = stage.part_done(now)
    step = short_step(stage.progress.text) if stage.progress else ""
    if part is None:
        return line((fit(step, width), "soft"))
    room = max(6, min(24, width - len(step) - 2))
    filled = round(part * room)
    head = f"{'█' * filled}{'░' * (room - filled)}"
    return line((head, "note"), (fit(f"  {step}", width - room), "soft"))


def short_step(text: str) -> str:
    """What a stage says of its present step, with directions as arrows."""
    return readable(words.clean(text).replace("_to_", "→"))


class HeadPane(Lines):
    """What the running stage is about, and how far it is."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stage: StageSummary | None = None
        self.now = 0.0
        self.waiting = False

    def build(self, width: int, height: int) -> list[Line]:
        if self.stage is None:
            return [line(("No stage is running.", "soft"))]
        return stage_head(self.stage, self.now, width, waiting=self.waiting)

    def renew(self) -> None:
        """As high as it takes: no instruction is ever cut."""
        if width := self.scrollable_content_region.width:
            self.set_height(max(HEAD_ROWS, len(self.build(width, 0))))
        super().renew()


class ReadingsPane(Lines):
    """The readings of one stage, the latest in view while nobody scrolls."""

    can_focus = True

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stage: StageSummary | None = None
        self.before: Mapping[str, Reading] = {}
        self.problem = ""  # shown in place of readings
        self._count = 0

    def build(self, width: int, height: int) -> list[Line]:
        stage = self.stage
        if self.problem:
            return wrapped(self.problem, width, "bad")
        if stage is None or not stage.readings:
            why = stage.reason if stage is not None and stage.verdict is Verdict.NOT_RUN else "No reading yet."
            return wrapped(words.sentence(words.clean(why)), width, "soft")
        return all_lines(stage, width, self.before)

    def renew(self) -> None:
        super().renew()
        count = len(self._shown)
        if count != self._count:
            self._count = count
            if not self.has_focus:
                self.scroll_to(y=max(0, count - self.size.height), animate=False)
