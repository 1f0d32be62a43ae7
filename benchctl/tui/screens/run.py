"""The screen of a run that is going on: everything it shows is a reading of the run's events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
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
from benchctl.runs.summary import StageState, StageSummary, Summary
from benchctl.terms import Verdict
from benchctl.tui.again import again, earlier
from benchctl.tui.curves import Curve
from benchctl.tui.link import Choice, RunLink, next_speed
from benchctl.tui.places import drawing
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
#: looks at the screen for which it keeps its shape after an answer: the next question often follows at once
_KEPT_LOOKS = 4
#: while this is asked the readings are what is to be seen
_WATCHED = ("watch_motor",)

#: a title so wide tells the time left as well
_TIMED = 78
#: as much of it as there is room for
_REHEARSAL = ("REHEARSAL: nothing here is real", "REHEARSAL, not real", "REHEARSAL")


def speed_words(speed: float) -> str:
    if speed <= 0:
        return "full speed"
    return "real time" if speed == 1 else f"{speed:g}× real time"


def run_left(s: Summary, expected: Mapping[str, float], now: float) -> float:
    """Seconds that the run will usually still take, at bench time `now`. expected: of each stage by name.

    What needs a stage that did not pass is left out: it will not run.
    """
    left = 0.0
    barred: set[str] = set()
    for stage in s.stages.values():
        if (stage.verdict is not None and stage.verdict is not Verdict.PASS) or barred & set(stage.needs):
            barred.add(stage.name)
        elif stage.state is StageState.WAITING:
            left += expected.get(stage.name, 0.0)
        elif stage.state is StageState.RUNNING:
            left += stage.time_left(now) or 0.0
    return left


class TitlePane(Lines):
    """What runs where, how fast, since when and for how long still; that nothing is real where that is so."""

    def __init__(self, name: str = "", bench: str = "") -> None:
        """bench: in place of the bench's own name."""
        super().__init__(id="title")
        self._bench = bench
        self.summary = Summary()
        self.name_ = name  # until the run has begun
        self.speed = 1.0
        self.now = 0.0
        self.left = 0.0

    def build(self, width: int, height: int) -> list[Line]:
        s = self.summary
        if not s.started:
            return [line((fit(self.name_, width), "strong"))]
        since = words.clock(s.seconds if s.ended else max(s.t, self.now))
        if self.left and not s.ended and width >= _TIMED:
            since = f"{since}, about {words.duration(self.left)} left"
        paced = f", {speed_words(self.speed)}" if s.simulated and not s.ended else ""
        kind = f" ({s.bench_kind})" if s.bench_kind != s.bench else ""
        head = f"{s.procedure} on {self._bench or s.bench}{kind}{paced}"
        rest = max(0, width - len(head) - len(since) - 3)
        real = next((r for r in _REHEARSAL if len(r) <= rest), "") if s.simulated else ""
        if s.simulated and not real:  # that nothing is real goes before the names
            rest, real = len(_REHEARSAL[-1]), _REHEARSAL[-1]
            head = fit(head, width - rest - len(since) - 3)
        return [line((head, "strong"), (f"  {fit(real, rest)}", "note"), (right(since, len(since) + 1), "soft"))]


class RunScreen(Screen[None]):
    """Reads the link's batches four times a second and hands answers and the stop key to it."""

    BINDINGS: ClassVar = [
        Binding("v", "view", "Plot"),
        Binding("left", "stage(-1)", "Stage", key_display="← →"),
        Binding("right", "stage(1)", "Stage", show=False),
        Binding("s", "speed", "Speed"),
        Binding("f", "findings", "So far"),
        Binding("t", "again", "Try again"),
        Binding("escape", "back", "Back"),
    ]

    AUTO_FOCUS = ""

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
        self._kept = 0
        self._expected = {step.name: step.stage.expected_s(step.parameters) for step in link.choice.procedure.steps}

        named = link.choice.bench_name
        self._title = TitlePane(f"{link.choice.procedure.name} on {named}", named if link.secret else "")
        self._boards = BoardsPane(id="boards")
        self._banner = LiveBanner(id="banner")
        self._stages = StagesPane(id="stages")
        self._head, self._readings = HeadPane(id="head"), ReadingsPane(id="readings")
        self._plot = PlotPane(id="plot")
        self._panel = PromptPanel(id="panel")

    def compose(self) -> ComposeResult:
        yield self._title
        yield self._boards
        yield self._banner
        with Horizontal(id="body"):
            yield self._stages
            with Vertical(id="stage"):
                yield self._head
                yield self._readings
            yield self._plot
        yield self._panel
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
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
            self.app.action_cautions(before_run=True)  # type: ignore[attr-defined]

    def _show(self) -> None:
        s, stage = self.summary, self._stage()
        if s.current:
            self._last = s.current
        now, hero = max(s.t, self.link.now), self._shape()
        self._title.summary, self._title.speed, self._title.now = s, self.link.speed, now
        self._title.left = run_left(s, self._expected, now)
        self._banner.summary, self._banner.stopping, self._banner.over = s, self.stopping, not self.link.alive
        self._show_boards()
        self._stages.summary = s
        self._head.stage, self._head.now = stage, now
        self._head.waiting = stage is not None and any(
            p.stage == stage.name and self.link.answers_by_person(p) for p in s.prompts.values()
        )
        self._readings.stage = stage
        self._readings.before = earlier(self.link.choice.before, stage.name) if stage is not None else {}
        self._plot.curves = self._curves(stage)
        for pane in (self._title, self._banner, self._stages, self._head, self._readings, self._plot):
            if pane.display:
                pane.renew()
        self._panel.secret = self.link.secret
        self._panel.update(s, self.link.answers_by_person, now, self._drawing, hero=hero)

    def _shape(self) -> bool:
        """Whether what is asked has the middle of the screen: where a person is there, and a little longer."""
        asked = self.link.person is not None and any(
            p.action not in _WATCHED for p in self._panel.open_prompts(self.summary)
        )
        self._kept = _KEPT_LOOKS if asked else max(0, self._kept - 1)
        hero = asked or (self._kept > 0 and self.has_class("-asked") and self.link.alive)
        if hero is not self.has_class("-asked"):
            self.set_class(hero, "-asked")
            self.refresh_bindings()
        return hero

    def _drawing(self, prompt: ev.Prompt, rows: int) -> list[Line]:
        return drawing(prompt, self.link.wirings, rows)

    def _show_boards(self) -> None:
        pane = self._boards
        pane.summary = self.summary
        if not self.link.alive and not self.summary.started:
            pane.waiting = "The run could not begin. T tries again, Esc goes back to the choice."
            self._readings.problem = words.sentence(self.link.error)
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
    def stopping(self) -> str:
        """Which boards the stop has reached, "" without one."""
        stop = self.summary.stop or self.link.stop_pressed
        return stop.told if stop is not None else ""

    @on(PromptPanel.Answered)
    def _answered(self, message: PromptPanel.Answered) -> None:
        self.link.answer(message.prompt_id, message.text)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """What cannot be seen beside a question has no key meanwhile."""
        if action == "again":
            return not self.link.alive and self._told_end and self.again is not None
        return not (action in ("view", "stage") and self.has_class("-asked"))

    @property
    def again(self) -> Choice | None:
        """What one key runs after the end: what did not pass; all of it where the run could not begin."""
        choice = replace(self.link.choice, hidden=self.link.secret)
        return again(choice, self.summary) if self.summary.started else choice

    def action_again(self) -> None:
        choice = self.again
        if choice is not None:
            self.app.try_again(choice)  # type: ignore[attr-defined]

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
        self.app.show_verdict(self.summary, self.link.folder, self)  # type: ignore[attr-defined]

    def action_back(self) -> None:
        if self.link.alive:
            self.notify("The run is going on; stop it first. Esc never stops anything.")
        else:
            self.dismiss()
