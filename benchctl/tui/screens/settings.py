"""The user's own defaults: shown, changed and kept in the preferences file."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from benchctl.preferences import LOOKS, Preferences

#: key, what it is, how it is read
FIELDS = (
    ("bench", "bench that is offered first"),
    ("pair", "pair file for the bench ports"),
    ("runs", "folder that runs are kept in"),
    ("speed", "speed of rehearsals, 0: as fast as it goes"),
    ("look", f"look: {', '.join(LOOKS)}"),
)


class SettingsScreen(ModalScreen[None]):
    """Each line is kept when Enter is pressed in it."""

    BINDINGS: ClassVar = [Binding("escape", "dismiss", "Back")]

    def __init__(self, kept: Preferences) -> None:
        super().__init__()
        self._kept = kept

    def compose(self) -> ComposeResult:
        with Vertical(id="dialog"):
            yield Label("Settings: Enter keeps a line, Esc goes back")
            for key, told in FIELDS:
                value = getattr(self._kept, key)
                shown = f"{value:g}" if isinstance(value, float) else str(value or "")
                yield Horizontal(Label(told), Input(shown, id=key, compact=True), classes="setting")

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        key, text = str(event.input.id), event.value.strip()
        value: float | str = text
        if key == "speed":
            try:
                value = float(text)
            except ValueError:
                value = -1.0
            if not 0 <= float(value) < float("inf"):
                self.notify("Speed: expected a number from 0.", severity="error")
                return
        if key == "look" and text not in LOOKS:
            self.notify(f"Look: expected one of {', '.join(LOOKS)}.", severity="error")
            return
        self.app.settle(key, value)  # type: ignore[attr-defined]
        self.notify("Kept.")
        self.focus_next()
