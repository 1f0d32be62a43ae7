"""The screen of a run that is going on: everything it shows is a reading of the run's events."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Footer

from benchctl import events as ev
from benchctl.report import words
from benchctl.runs.summary import StageSummary, Summary
from benchctl.tui.curves import Curve
from benchctl.tui.link import RunLink, next_speed
from benchctl.tui.trail import Trail
from benchctl.tui.widgets.boards import BoardsPane
from benchctl.tui.widgets.lines import Line, Lines, fit, line, right
from benchctl.tui.widgets.live_banner import LiveBanner
from benchctl.tui.widgets.plot import PlotPane
from benchctl.tui.widgets.prompt import PromptPanel
from benchctl.tui.widgets.readings import HeadPane, ReadingsPane
from benchctl.tui.widgets.stages import StagesPane

#: seconds between two refreshes; more often costs the run's threads milliseconds
REFRESH_S = 0.25


#: as much of it as there is room for
_REHEARSAL = ("REHEARSAL: nothing here is real", "REHEARSAL, not real", "REHEARSAL")


def speed_words(speed: float) -> str:
    if speed <= 0:
        return "full speed"
    return "real time" if speed == 1 else f"{speed:g}× real time"


class TitlePane(Lines):
    """What runs where, how fast, and since when; that nothing is real where that is so."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.summary = Summary()
        self.name_ = ""
        self.speed = 1.0

    def build(self, width: int, height: int) -> list[Line]:
        s = self.summary
        if not s.started:
            return [line((fit(self.name_, width), "strong"))]
        since = words.clock(s.t)
        paced = f", {speed_words(self.speed)}" if s.simulated and not s.ended else ""
        kind = f" ({s.bench_kind})" if s.bench_kind != s.bench else ""
        head = f"{s.procedure} on {s.bench}{kind}{paced}"
        rest = max(0, width - len(head) - len(since) - 3)
        real = next((r for r in _REHEARSAL if len(r) <= rest), "") if s.simulated else ""
        if s.simulated and not real:  # that nothing is real goes before the names
            rest, real = len(_REHEARSAL[-1]), _REHEARSAL[-1]
            head = fit(head, width - rest - len(since) - 3)
        return [line((head, "strong"), (f"  {fit(real, rest)}", "note"), (right(since, len(since) + 1), "soft"))]


class RunScreen(Screen[None]):
    """Reads the link's batches four times a second and hands answers and the stop key to it."""

    BINDINGS: ClassVar = [
        Binding("v", "view", "Plot or readings"),
        Binding("left", "stage(-1)", "Stage before"),
        Binding("right", "stage(1)", "Stage after"),
        Binding("s", "speed", "Speed"),
        Binding("f", "findings", "So far"),
        Binding("escape", "back", "Back"),
    ]

    class Urgent(Message):
        """Something has come that is shown at once."""

    def __init__(self, link: RunLink) -> None:
        super().__init__()
        self.link = link
        self.summary = Summary()
        self.trail = Trail()
        self._looked_at = ""  # a stage chosen by hand; "" follows the running one
        self._last = ""
        self._told_end = False
        self._cautioned = False

    def compose(self) -> ComposeResult:
        yield TitlePane(id="title")
        yield BoardsPane(id="boards")
        yield LiveBanner(id="banner")
        with Horizontal(id="body"):
            yield StagesPane(id="stages")
            with Vertical(id="stage"):
                yield HeadPane(id="head")
                yield ReadingsPane(id="readings")
            yield PlotPane(id="plot")
        yield PromptPanel(id="panel")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self.query_one(TitlePane).name_ = f"{self.link.choice.procedure.name} on {self.link.choice.bench}"
        self.set_focus(None)
        self.set_interval(REFRESH_S, self.take)
        self.link.start()

    # ------------------------------------------------------------------ events in

    @on(Urgent)
    def take(self) -> None:
        """Fold what has come and show it."""
        for event in self.link.batch.take():
            self.summary.fold(event)
            self.trail.see(event)
            if isinstance(event, ev.Note) and event.level == "caution":
                self._caution()
        self._show()
        if not self.link.alive and not self._told_end:
            self._told_end = True
            self.app.run_ended(self)  # type: ignore[attr-defined]

    def _caution(self) -> None:
        """Before the first stage that may move something, whoever answers reads the cautions, once a run."""
        if self.link.person is not None and not self._cautioned:
            self._cautioned = True
            self.app.action_cautions()  # type: ignore[attr-defined]

    def _show(self) -> None:
        s, stage = self.summary, self._stage()
        if s.current:
            self._last = s.current
        title, banner = self.query_one(TitlePane), self.query_one(LiveBanner)
        title.summary, title.speed = s, self.link.speed
        banner.summary, banner.stopping, banner.over = s, self.stopping, not self.link.alive
        self._show_boards()
        self.query_one(StagesPane).summary = s
        head, readings, plot = self.query_one(HeadPane), self.query_one(ReadingsPane), self.query_one(PlotPane)
        head.stage, head.now = stage, max(s.t, self.link.now)
        readings.stage = stage
        plot.curves = self._curves(stage)
        for pane in (title, banner, self.query_one(StagesPane), head, readings, plot):
            if pane.display:
                pane.renew()
        self.query_one(PromptPanel).update(s, self.link.answers_by_person)

    def _show_boards(self) -> None:
        pane = self.query_one(BoardsPane)
        pane.summary = self.summary
        if not self.link.alive and not self.summary.started:
            pane.waiting = "The run could not begin. Esc goes back to the choice."
            self.query_one(ReadingsPane).problem = words.sentence(self.link.error)
        pane.set_height(max(1, len(self.summary.boards)))
        pane.renew()

    def _stage(self) -> StageSummary | None:
        """The stage that is looked at: chosen by hand, running, or the last that ran."""
        s = self.summary
        return s.stages.get(self._looked_at or s.current or self._last)

    def _curves(self, stage: StageSummary | None) -> list[Curve]:
        """What still grows, tables and readings that firm up, the latest first; then the stage's whole tables."""
        if stage is None:
            return []
        growing = [*self.trail.curves(stage.name), *self.link.growing(stage.name)]
        latest = sorted(growing, key=lambda g: -g[0])
        return [*(curve for _, found in latest for curve in found), *self.link.kept(stage.name)]

    # ------------------------------------------------------------------ commands out

    @property
    def stopping(self) -> bool:
        return bool(self.link.stopped_by)

    @on(PromptPanel.Answered)
    def _answered(self, message: PromptPanel.Answered) -> None:
        self.link.answer(message.prompt_id, message.text)

    def action_view(self) -> None:
        """Swap plot and readings where there is room for one of them only."""
        self.toggle_class("-plotting")
        self.call_after_refresh(self._show)

    def action_stage(self, step: int) -> None:
        """Look at the stage before or after; at the running one the view follows the run again."""
        names = list(self.summary.stages)
        shown = self._stage()
        if not names or shown is None:
            return
        chosen = names[max(0, min(len(names) - 1, names.index(shown.name) + step))]
        self._looked_at = "" if chosen == self.summary.current else chosen
        self._show()

    def action_speed(self) -> None:
        if self.summary.simulated or not self.summary.started:
            self.link.set_speed(next_speed(self.link.speed))
            self.app.remember("speed", self.link.speed)  # type: ignore[attr-defined]
            self._show()
        else:
            self.notify("Real boards have only one speed.")

    def action_findings(self) -> None:
        self.app.show_verdict(self.summary, self.link.folder)  # type: ignore[attr-defined]

    def action_back(self) -> None:
        if self.link.alive:
            self.notify("The run is going on; stop it first. Esc never stops anything.")
        else:
            self.dismiss()
