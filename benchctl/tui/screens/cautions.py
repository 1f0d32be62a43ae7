"""The usual cautions, on a page of their own."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import Screen
from textual.widgets import Footer

from benchctl.safety.cautions import CAUTIONS
from benchctl.tui.widgets.lines import Line, Lines, joined, line, wrapped


class CautionsPane(Lines):
    can_focus = True

    def build(self, width: int, height: int) -> list[Line]:
        wide = min(width, 100)
        return joined([line((c.topic, "strong")), *wrapped(c.text, wide)] for c in CAUTIONS)


class CautionsScreen(Screen[None]):
    BINDINGS: ClassVar = [Binding("escape", "close", "Back")]

    def compose(self) -> ComposeResult:
        yield CautionsPane(id="page")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self.query_one(CautionsPane).focus()

    def action_close(self) -> None:
        self.dismiss()
