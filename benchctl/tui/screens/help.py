"""Help over any screen: what it shows, its keys, and what the signs mean."""

from __future__ import annotations

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import ModalScreen, Screen

from benchctl.tui.widgets.lines import Line, Lines, joined, line, wrapped

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
    "ChooseScreen": "Choose a procedure and a bench, then Start. New boards begin with bring-up; practise on the "
    "modelled pair first. Tab goes from field to field, Enter takes what is highlighted.",
    "RunScreen": "The run as it goes on: boards above, stages at the left, the stage that is running with its readings "
    "against their limits, its plot, and below what you are asked. Type an answer and press Enter.",
    "VerdictScreen": "The verdict, what to do next, what failed and why, likely causes with what speaks for (+) and "
    "against (−) them, what was not tested, and where the report lies.",
    "HistoryScreen": "Past runs, latest first. Type into the filter to narrow the list; B shows the batch board by "
    "board. Mark two runs with Space, then press C to see them side by side.",
    "CompareScreen": "Two runs side by side, reading by reading: the earlier one at the left.",
    "CautionsScreen": "Cautions for motors, batteries, soldering, radio and flying.",
    "PathScreen": "Type the path of a file, or pick one of the files in the present folder.",
}
_STOP = (
    "Ctrl+X stops the run at once, on any screen and while you type; Ctrl+C and F10 do the same. A stop is final: the "
    "motor does not come back without arming anew. It is an operating stop: the battery plug or supply switch within "
    "reach is the emergency stop."
)


def help_lines(name: str, keys: list[tuple[str, str]], width: int) -> list[Line]:
    wide = min(width, 90)
    return joined(
        [
            wrapped(ABOUT.get(name, ""), wide),
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

    def __init__(self, name: str, keys: list[tuple[str, str]]) -> None:
        super().__init__(id="page")
        self._of = name
        self._keys = keys

    def build(self, width: int, height: int) -> list[Line]:
        return help_lines(self._of, self._keys, width)


class HelpScreen(ModalScreen[None]):
    BINDINGS: ClassVar = [Binding("escape,f1,question_mark", "close", "Close")]

    def __init__(self, of: Screen[Any]) -> None:
        super().__init__()
        self._name_of = type(of).__name__
        shown = [a.binding for a in of.active_bindings.values() if a.binding.show and a.binding.description]
        self._keys = list(dict.fromkeys((self.shown_key(b), b.description) for b in shown))

    @staticmethod
    def shown_key(binding: Binding) -> str:
        return binding.key_display or {"left": "←", "right": "→", "escape": "Esc"}.get(binding.key, binding.key.upper())

    def compose(self) -> ComposeResult:
        yield HelpPane(self._name_of, self._keys)

    def on_mount(self) -> None:
        self.query_one(HelpPane).border_title = "Help"
        self.query_one(HelpPane).border_subtitle = "Esc closes"
        self.query_one(HelpPane).focus()

    def action_close(self) -> None:
        self.dismiss()
