"""Past runs in words, and read from their folders: what the screens of past runs share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchctl.runs.index import RunRow
from benchctl.runs.log import read
from benchctl.runs.summary import RunState, Summary, summarise

#: before a run that is marked for comparison
MARK = "●"


def verdict_words(row: RunRow) -> str:
    """ "✓ pass"; of a run without an end how far it came."""
    if row.state in (RunState.RUNNING, RunState.WAITING):
        return "▸ running"
    cut = ", cut off" if row.state is RunState.ABORTED else ", stopped" if row.state is RunState.STOPPED else ""
    return f"{row.verdict.sign} {row.verdict}{cut}"


def cells(row: RunRow, marked: bool) -> tuple[str, ...]:
    """A run as the cells of its line."""
    boards = " ".join(b.label or str(b.role) for b in row.boards)
    bench = f"{row.bench}, rehearsal" if row.simulated else row.bench
    why = ", ".join(row.failed)
    cause = row.causes[0][0] if row.causes else ""
    when = row.wall[:16].replace("T", " ")
    mark = MARK if marked else " "
    return (mark, verdict_words(row), when, boards, cause, row.procedure, why, bench)


def matching(rows: Sequence[RunRow], wanted: str) -> list[RunRow]:
    """Rows in which every word of the filter occurs somewhere."""
    asked = wanted.lower().split()
    return [r for r in rows if all(w in _text(r) for w in asked)] if asked else list(rows)


def _text(row: RunRow) -> str:
    return " ".join((row.name, *cells(row, False))).lower()


def load_summary(folder: Path) -> Summary:
    """A recorded run. Raises UsageError."""
    found = read(folder)
    return summarise(found.events, found.missing)
