"""The batch: each board's latest verdict, first-pass yield, frequent causes, and the trend of a chosen reading."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Footer, OptionList
from textual.widgets.option_list import Option

from benchctl.errors import UsageError
from benchctl.report import words
from benchctl.runs.history import (
    BoardHistory,
    TrendPoint,
    boards,
    first_judged,
    first_pass_yield,
    frequent,
    of_kind,
    trend,
)
from benchctl.runs.index import RunRow
from benchctl.terms import Interval
from benchctl.tui.past import load_summary, verdict_words
from benchctl.tui.widgets.lines import Line, Lines, fit, joined, line, right, wrapped
from benchctl.tui.widgets.plot import spark
from benchctl.tui.widgets.stages import TONES
from benchctl.tui.workers import show_on
from benchctl.units import quantity

#: runs that a trend reads, the latest ones
_MOST_RUNS = 60
#: cells of a board's label and verdict; width from which a trend has room for dates
_HEAD = 32
_DATED = 52


def percent(interval: Interval) -> str:
    return f"{100 * interval.low:.0f} to {100 * interval.high:.0f} %"


def batch_lines(rows: Sequence[RunRow], simulated: bool, width: int) -> list[Line]:
    """The whole batch; simulated: rehearsals instead of real boards."""
    kept = of_kind(rows, simulated=simulated)
    histories = boards(kept)
    if not histories:
        what = "rehearsal" if simulated else "run with real boards"
        return wrapped(f"There is no {what} yet. Press M for the other kind.", width, "soft")
    stages, causes = frequent(kept)
    return joined(
        [
            [*_title(simulated, width), *_yield_lines(histories, width)],
            [line(("Boards", "strong")), *(row for h in histories for row in _board(h, width))],
            _often("Stages that failed most often", stages),
            _often("Most frequent likeliest causes", causes),
        ]
    )


def _title(simulated: bool, width: int) -> list[Line]:
    if not simulated:
        return []
    return wrapped("Rehearsals only: they prove no board good.", width, "note")


def _yield_lines(histories: Sequence[BoardHistory], width: int) -> list[Line]:
    found = first_pass_yield(histories)
    if found.share is None:
        return [line("No board has been judged yet.")]
    text = (
        f"First-pass yield: {found.passed} of {words.many(found.boards, 'board')} passed when first judged, "
        f"{100 * found.share:.0f} % (95 % interval {percent(found.interval)})."
    )
    return wrapped(text, width)


def _board(history: BoardHistory, width: int) -> list[Line]:
    latest = verdict_words(history.latest)
    first = "never judged"
    if first_judged(history.runs) is not None:
        first = "passed first time" if history.first_passed else "did not pass the first time"
    cause = history.causes[0][0] if history.causes else ""
    rest = f"{words.many(len(history.runs), 'run')}, {first}"
    told = wrapped(": ".join(t for t in (rest, cause) if t), width - _HEAD)
    head = fit(f"{fit(history.label, 18)} {latest}", _HEAD)
    tone = TONES.get(str(history.latest.verdict), "")
    return [line((head, tone), told[0][0]), *(line(" " * _HEAD, row[0]) for row in told[1:])]


def _often(title: str, counts: Sequence[tuple[str, int]]) -> list[Line]:
    if not counts:
        return []
    return [line((title, "strong")), *(line(f"{n:>4} × {name}") for name, n in counts[:5])]


def trend_lines(points: Sequence[TrendPoint], reading: str, width: int) -> list[Line]:
    """A row of blocks over all runs, and the last values with their boards."""
    if not points:
        return [line(("No run has this reading.", "soft"))]
    unit = points[-1].reading.unit
    values = [p.reading.value for p in points]
    low, high = quantity(min(values), unit, 3), quantity(max(values), unit, 3)
    allowed = words.limit(points[-1].reading)
    limit = f", limit {allowed}" if allowed else ""
    out = wrapped(f"{points[-1].reading.called}: {low} to {high}{limit}, earliest first", width, "strong")
    out.append(line((spark(values[-width:]), "note")))
    for p in reversed(points[-5:]):
        verdict = p.reading.verdict
        said = f"{verdict.sign} {verdict}" if verdict else "· no limit"
        day = f"  {p.row.wall[:10]}" if width >= _DATED else ""
        label = fit(p.label, width - 23 - len(day))
        value = right(quantity(p.reading.value, unit, 3), 10)
        out.append(line(label, value, (f"  {said:<11}", TONES.get(str(verdict), "soft")), day))
    return out


class BatchPane(Lines):
    can_focus = True

    def __init__(self, rows: Sequence[RunRow]) -> None:
        super().__init__(id="batch")
        self.rows = rows
        self.simulated = not any(not r.simulated for r in rows)

    def build(self, width: int, height: int) -> list[Line]:
        return batch_lines(self.rows, self.simulated, width)


class TrendPane(Lines):
    def __init__(self) -> None:
        super().__init__(id="trend")
        self.points: Sequence[TrendPoint] = ()
        self.reading = ""
        self.problem = ""

    def build(self, width: int, height: int) -> list[Line]:
        if self.problem:
            return wrapped(self.problem, width, "bad")
        if not self.reading:
            return [line(("Choose a reading to see its trend.", "soft"))]
        return trend_lines(self.points, self.reading, width)


class BatchScreen(Screen[None]):
    AUTO_FOCUS = "#batch"
    BINDINGS: ClassVar = [
        Binding("m", "kind", "Real or rehearsal"),
        Binding("escape", "back", "Back"),
    ]

    def __init__(self, root: Path, rows: Sequence[RunRow]) -> None:
        super().__init__()
        self.root = root
        self.rows = rows
        self._batch, self._trend = BatchPane(rows), TrendPane()
        self._which = OptionList(id="which", markup=False)
        self._which.border_title = "Trend of"

    def compose(self) -> ComposeResult:
        with Vertical():
            yield self._batch
            with Horizontal(id="trends"):
                yield self._which
                yield self._trend
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self._list_readings()

    def _kept(self) -> list[RunRow]:
        return of_kind(self.rows, simulated=self._batch.simulated)

    @work(thread=True, exclusive=True, group="list")
    def _list_readings(self) -> None:
        """The readings of the latest run that has any are what can be chosen."""
        for row in self._kept()[:5]:
            try:
                summary = load_summary(self.root / row.name)
            except UsageError:
                continue
            names = [
                (f"{s.name}/{name}", f"{s.title or s.name}: {r.called}")
                for s in summary.stages.values()
                for name, r in s.readings.items()
            ]
            if names:
                show_on(self, self._offer, names)
                return

    def _offer(self, names: list[tuple[str, str]]) -> None:
        options = self._which
        options.clear_options()
        options.add_options([Option(called, id=name) for name, called in names])

    @on(OptionList.OptionHighlighted, "#which")
    def _chosen(self, event: OptionList.OptionHighlighted) -> None:
        self._read_trend(event.option.id or "")

    @work(thread=True, exclusive=True, group="trend")
    def _read_trend(self, name: str) -> None:
        stage, _, reading = name.partition("/")
        points: list[TrendPoint] = []
        problem = ""
        try:
            points = trend(self.root, self._kept()[:_MOST_RUNS], stage, reading)
        except UsageError as e:
            problem = str(e)
        show_on(self, self._show_trend, points, reading, problem)

    def _show_trend(self, points: list[TrendPoint], reading: str, problem: str) -> None:
        pane = self._trend
        pane.points, pane.reading, pane.problem = points, reading, problem
        pane.renew()

    def action_kind(self) -> None:
        """Real boards and rehearsals are never counted together."""
        pane = self._batch
        pane.simulated = not pane.simulated
        pane.renew()
        self._list_readings()

    def action_back(self) -> None:
        self.dismiss()
