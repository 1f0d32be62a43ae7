"""The usual cautions, page by page: none is ever cut, and which key goes on is said."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import Screen
from textual.widgets import Footer

from benchctl.safety.cautions import CAUTIONS
from benchctl.tui.widgets.lines import Line, Lines, line, wrapped

_WIDEST = 100


def pages(width: int, height: int) -> list[list[Line]]:
    """The cautions, as many whole ones a page as it has room for, its title and last line left free."""
    out: list[list[Line]] = [[]]
    for caution in CAUTIONS:
        text: list[Line] = [line((caution.topic, "strong")), *wrapped(caution.text, min(width, _WIDEST)), ()]
        if out[-1] and len(out[-1]) + len(text) > height - 4:
            out.append([])
        out[-1] += text
    return out


class CautionsPane(Lines):
    can_focus = True

    def __init__(self, *, before_run: bool) -> None:
        super().__init__(id="page")
        self.page = 0
        self._before_run = before_run

    @property
    def last(self) -> bool:
        """Whether all have been shown."""
        return self.page >= len(self._pages) - 1

    @property
    def _pages(self) -> list[list[Line]]:
        size = self.scrollable_content_region.size
        return pages(size.width, size.height)

    def build(self, width: int, height: int) -> list[Line]:
        found = pages(width, height)
        self.page = min(self.page, len(found) - 1)
        of = f", page {self.page + 1} of {len(found)}" if len(found) > 1 else ""
        title = f"Cautions{of}: read before anything moves" if self._before_run else f"Cautions{of}"
        after = "goes on with the run, which waits for you" if self._before_run else "goes back"
        key = f"Enter {after if self.last else 'shows the next page'}."
        return [line((title, "warn")), (), *found[self.page], line((key, "note"))]


class CautionsScreen(Screen[None]):
    """before_run: a run that is about to move something waits below."""

    AUTO_FOCUS = "#page"
    BINDINGS: ClassVar = [Binding("enter", "next", "Go on"), Binding("escape", "close", "Back")]

    def __init__(self, *, before_run: bool = False) -> None:
        super().__init__()
        self._before_run = before_run

    def compose(self) -> ComposeResult:
        yield CautionsPane(before_run=self._before_run)
        yield Footer(show_command_palette=False)

    def action_next(self) -> None:
        pane = self.query_one(CautionsPane)
        if pane.last:
            self.dismiss()
            return
        pane.page += 1
        pane.renew()

    def action_close(self) -> None:
        self.dismiss()
