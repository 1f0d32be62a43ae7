"""The boards and how they are, one line each, on every screen of a run."""

from __future__ import annotations

from benchctl.report import words
from benchctl.runs.summary import BoardSummary, Summary
from benchctl.tui.widgets.lines import Line, Lines, fit, line
from benchctl.units import quantity

_SIGNS = {"ready": ("✓", "good"), "lost": ("✗", "bad"), "awaited": ("·", "soft")}


def board_line(board: BoardSummary, width: int) -> Line:
    """Sign, role, label, state, supply, and what went wrong with the board."""
    sign, tone = _SIGNS[board.state]
    trouble = words.clean(words.board_trouble(board))
    if board.state == "ready" and trouble:
        sign, tone = "!", "warn"
    label = words.clean(board.label) or "no label yet"
    head = f"{sign} {board.role:<6}{fit(label, 18)} {board.state:<8}"
    rest = "   ".join(t for t in (_supply(board), trouble) if t)
    return line((head, tone), fit(rest, width - len(head)))


def _supply(board: BoardSummary) -> str:
    if board.vcc is None:
        return ""
    lowest = board.lowest_vcc
    low = f", lowest {quantity(lowest, 'V', 3)}" if lowest is not None and lowest < board.vcc - 0.05 else ""
    return f"{quantity(board.vcc, 'V', 3)}{low}"


class BoardsPane(Lines):
    """One line a board; the number of lines is known from the start of the run."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.summary = Summary()
        self.waiting = "Opening the bench…"

    def build(self, width: int, height: int) -> list[Line]:
        boards = list(self.summary.boards.values())
        return [board_line(b, width) for b in boards] or [line((self.waiting, "soft"))]
