"""The base of most panes: lines of toned text, of which only the changed cells are drawn anew."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import ClassVar

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from benchctl.units import unbroken

#: a piece of text and its tone: "", "soft", "strong", "good", "bad", "warn", "live", "note"
Part = tuple[str, str]
Line = tuple[Part, ...]

TONES = ("soft", "strong", "good", "bad", "warn", "live", "note")


def line(*parts: Part | str) -> Line:
    """A line from pieces; a bare text has no tone."""
    return tuple((p, "") if isinstance(p, str) else p for p in parts if p)


def plain(shown: Line) -> str:
    """The line's text without its tones."""
    return "".join(text for text, _ in shown)


def fit(text: str, width: int) -> str:
    """The text in exactly `width` cells; what does not fit ends in "…"."""
    if cell_len(text) <= width:
        return set_cell_size(text, width)
    return set_cell_size(text, max(0, width - 1)) + "…"[: max(0, width)]


def right(text: str, width: int) -> str:
    """The text at the right end of `width` cells."""
    return " " * max(0, width - cell_len(text)) + fit(text, min(width, cell_len(text)))


def wrapped(text: str, width: int, tone: str = "", first: str = "", rest: str = "") -> list[Line]:
    """The text in as many lines as it takes. first, rest: what the first line and the others begin with."""
    out: list[Line] = []
    for paragraph in unbroken(text).splitlines() or [""]:
        rows = textwrap.wrap(
            paragraph, max(8, width), initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
        ) or [first]
        out += [((row, tone),) for row in rows]
        first = rest
    return out


class Lines(ScrollView):
    """Shows what `build` returns; `renew` builds anew and draws only the cells that differ."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"lines--{tone}" for tone in TONES}
    can_focus = False

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: list[Line] = []
        self._height = 0

    def build(self, width: int, height: int) -> list[Line]:
        """The lines for an area of so many cells. Overridden by every pane."""
        raise NotImplementedError

    def renew(self) -> None:
        """Show the present state."""
        size = self.scrollable_content_region.size
        if not size.width or not size.height:
            return
        old, new = self._shown, self.build(size.width, size.height)
        self._shown = new
        if len(old) != len(new):
            self.virtual_size = Size(size.width, len(new))
        top = round(self.scroll_y)
        for row in range(top, min(top + size.height, max(len(old), len(new)))):
            before, after = (lines[row] if row < len(lines) else () for lines in (old, new))
            if before != after:
                self._draw_changed(row - top, before, after, size.width)

    def set_height(self, rows: int) -> None:
        """So many rows high from now on; the layout is made anew only where that is a change."""
        if rows != self._height:
            self._height = rows
            self.styles.height = rows

    def _draw_changed(self, y: int, before: Line, after: Line, width: int) -> None:
        first, last = _changed(before, after, width)
        self.refresh(Region(first, y, last - first, 1).translate(self.gutter.top_left))

    def on_resize(self, event: events.Resize) -> None:
        self._shown = []
        self.renew()
        self.virtual_size = Size(self.scrollable_content_region.width, len(self._shown))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        row, width = y + round(self.scroll_y), self.size.width
        if row >= len(self._shown):
            return Strip.blank(width, self.rich_style)
        base = self.rich_style
        parts = [Segment(t, self._tone(tone)) for t, tone in self._shown[row] if t]
        return Strip(parts).adjust_cell_length(width, base)

    def _tone(self, tone: str) -> Style:
        return self.get_component_rich_style(f"lines--{tone}") if tone else self.rich_style

    @property
    def text(self) -> str:
        """What is shown, as plain lines."""
        return "\n".join(plain(row).rstrip() for row in self._shown)


def _cells(shown: Line) -> list[tuple[str, str]]:
    return [(char, tone) for text, tone in shown for char in text]


def _changed(before: Line, after: Line, width: int) -> tuple[int, int]:
    """The columns from the first cell that differs to behind the last one."""
    if any(not text.isascii() and cell_len(text) != len(text) for text, _ in (*before, *after)):
        return 0, width
    old, new = (_cells(shown)[:width] for shown in (before, after))
    size = max(len(old), len(new))
    blank = (" ", "")
    old += [blank] * (size - len(old))
    new += [blank] * (size - len(new))
    differ = [i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
    return (differ[0], differ[-1] + 1) if differ else (0, 0)


def joined(groups: Iterable[list[Line]]) -> list[Line]:
    """Groups of lines with an empty line between them; empty groups left out."""
    out: list[Line] = []
    for group in groups:
        if group and out:
            out.append(())
        out += group
    return out
