"""Help over any screen: what it shows, its keys, and what the signs mean."""

from __future__ import annotations

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import ModalScreen, Screen

from benchctl.report import words
from benchctl.runs.summary import StageSummary
from benchctl.terms import readable
from benchctl.tui.widgets.lines import Line, Lines, joined, line, wrapped
from benchctl.tui.widgets.readings import ReadingsPane

SIGNS = (
    ("✓ pass", "every limit is met"),
    ("✗ fail", "a limit is not met, or something is broken"),
    ("? undecided", "too little evidence, a lost board, or no answer"),
    ("– not run", "something it needs has not passed"),
    ("▸ running   · waiting", ""),
    ("… so far", "a reading that is still firming up"),
    ("├──●──┤", "the value between its limits; ● beyond an end is outside"),
    ("▲", "outputs that can hurt are live, or can become so"),
)
#: first words of a screen's class name → what the screen is for
ABOUT = {
    "ChooseScreen": "Choose a procedure and a bench, then Start. A new pair begins with set-up, then bring-up; "
    "practise on the modelled pair first. Tab goes from field to field, Enter takes what is highlighted.",
    "RunScreen": "The run as it goes on: boards above, stages at the left, the stage that is running with its readings "
    "against their limits, its plot, and below what you are asked. What each reading is "
    "stands below. Type an answer and press Enter.",
    "VerdictScreen": "The verdict, what to do next, what failed and why, likely causes with what speaks for (+) and "
    "against (−) them, what was not tested, and where the report lies.",
    "HistoryScreen": "Past runs, latest first. Type into the filter to narrow the list; B shows the batch board by "
    "board. Mark two runs with Space, then press C to see them side by side.",
    "CompareScreen": "Two runs side by side, reading by reading: the earlier one at the left.",
    "CautionsScreen": "Cautions for motors, batteries, soldering, radio and flying.",
    "SettingsScreen": "The user's own defaults; Enter keeps a line.",
    "PathScreen": "Type the path of a file, or pick one of the files in the present folder.",
}
_STOP = (
    "Ctrl+X stops the run at once, on any screen and while you type; Ctrl+C and F10 do the same. A stop is final: the "
    "motor does not come back without arming anew. It is an operating stop: the battery plug or supply switch within "
    "reach is the emergency stop."
)


def about_readings(stage: StageSummary | None, width: int) -> list[Line]:
    """What each reading of a stage is, why it matters, a usual value and where the number is from."""
    if stage is None or not stage.readings:
        return []
    out = [line((f"Readings of {stage.title or readable(stage.name)}", "strong"))]
    for r in stage.readings.values():
        out += wrapped(f"{r.called}: {r.text()}", width, "note")
        basis = ", ".join(t for t in (f"n {r.n}" if r.n > 1 else "", words.SOURCES[r.source]) if t)
        told = [stage.said_of(r), words.sentence(words.remark(r)), f"Uncertainty: {basis}." if basis else ""]
        out += wrapped(words.clean(" ".join(t for t in told if t)), width, "", "  ", "  ")
    return out


def help_lines(name: str, keys: list[tuple[str, str]], width: int, stage: StageSummary | None = None) -> list[Line]:
    wide = min(width, 90)
    return joined(
        [
            wrapped(ABOUT.get(name, ""), wide),
            about_readings(stage, wide),
            [line(("Keys of this screen", "strong")), *(line((f"{k:<12}", "note"), d) for k, d in keys)],
            [line(("Stopping", "strong")), *wrapped(_STOP, wide)],
            [line(("Signs", "strong")), *(line((f"{s:<22}", "note"), d) for s, d in SIGNS)],
            [line(("Everywhere", "strong")),
             line(("Ctrl+P      ", "note"), "all commands, by name; the look of the screen too"),
             line(("Tab         ", "note"), "to the next field or list; the mouse works as well"),
             line(("Ctrl+Q      ", "note"), "stop the run if there is one, and close the program")],
        ]
    )  # fmt: skip


class HelpPane(Lines):
    can_focus = True

    def __init__(self, name: str, keys: list[tuple[str, str]], stage: StageSummary | None) -> None:
        super().__init__(id="page")
        self._stage = stage
        self._of = name
        self._keys = keys

    def build(self, width: int, height: int) -> list[Line]:
        return help_lines(self._of, self._keys, width, self._stage)


class HelpScreen(ModalScreen[None]):
    AUTO_FOCUS = "#page"
    BINDINGS: ClassVar = [Binding("escape,f1,question_mark", "close", "Close")]

    def __init__(self, of: Screen[Any]) -> None:
        super().__init__()
        self._name_of = type(of).__name__
        self._stage = next((pane.stage for pane in of.query(ReadingsPane)), None)
        shown = [a.binding for a in of.active_bindings.values() if a.binding.show and a.binding.description]
        self._keys = list(dict.fromkeys((self.shown_key(b), b.description) for b in shown))

    @staticmethod
    def shown_key(binding: Binding) -> str:
        return binding.key_display or {"left": "←", "right": "→", "escape": "Esc"}.get(binding.key, binding.key.upper())

    def compose(self) -> ComposeResult:
        pane = HelpPane(self._name_of, self._keys, self._stage)
        pane.border_title, pane.border_subtitle = "Help", "Esc closes"
        yield pane

    def action_close(self) -> None:
        self.dismiss()
