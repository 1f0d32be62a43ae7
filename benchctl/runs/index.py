"""A quick list of all runs below a folder: one row a run, kept in a file beside them.

The file is a convenience, never the truth: a row counts only while the run's log has the size and time that the row
names; everything else is read from the folders anew. It may be deleted at any moment, and where it cannot be written
nothing is lost but time.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from benchctl.errors import UsageError
from benchctl.runs.folder import LOCK, being_written
from benchctl.runs.log import LOG, read
from benchctl.runs.summary import RunState, Summary, summarise
from benchctl.terms import Verdict

INDEX = "runs-index.json"
_FORM = 1  # raise it when a field changes: older files are then read anew


@dataclass(frozen=True, slots=True)
class BoardRow:
    """A board of a run."""

    role: str
    label: str
    firmware: str
    image_crc: str


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run in the list. failed, undecided: names of stages. causes: the findings, likeliest first, as
    (cause, role or "")."""

    name: str
    run: str
    wall: str
    procedure: str
    procedure_sha256: str
    bench: str
    bench_kind: str
    simulated: bool
    state: RunState
    verdict: Verdict
    seconds: float
    stages: int
    boards: tuple[BoardRow, ...]
    failed: tuple[str, ...]
    undecided: tuple[str, ...]
    causes: tuple[tuple[str, str], ...]

    def labels(self) -> list[str]:
        return [b.label for b in self.boards]


def row_of(name: str, s: Summary) -> RunRow:
    """The row of a run whose folder is called `name`."""
    boards = tuple(BoardRow(str(b.role), b.label, b.firmware, b.image_crc) for b in s.boards.values() if b.seen)
    return RunRow(
        name=name,
        run=s.run,
        wall=s.wall,
        procedure=s.procedure,
        procedure_sha256=s.procedure_sha256,
        bench=s.bench,
        bench_kind=s.bench_kind,
        simulated=s.simulated,
        state=s.state,
        verdict=s.outcome or Verdict.UNDECIDED,
        seconds=s.seconds,
        stages=len(s.stages),
        boards=boards,
        failed=tuple(x.name for x in s.stages.values() if x.verdict is Verdict.FAIL),
        undecided=tuple(x.name for x in s.stages.values() if x.verdict is Verdict.UNDECIDED),
        causes=tuple((f.cause, str(f.board or "")) for f in s.findings),
    )


def list_rows(root: Path) -> list[RunRow]:
    """Every run below `root`, latest first by name. Raises UsageError when `root` cannot be read."""
    known = _load(root / INDEX)
    stamps = _stamps(root)
    rows: dict[str, tuple[list[int], RunRow]] = {}
    fresh = 0
    for name, stamp in stamps.items():
        kept = known.get(name)
        if kept is not None and kept[0] == stamp:
            rows[name] = kept
        else:
            rows[name] = (stamp, _read_row(root / name))
            fresh += 1
    if fresh or len(known) != len(rows):
        _store(root / INDEX, {n: r for n, r in rows.items() if r[1].state is not RunState.RUNNING})
    return [rows[name][1] for name in sorted(rows, reverse=True)]


def _stamps(root: Path) -> dict[str, list[int]]:
    """Name of each run folder -> size and time of its log."""
    out: dict[str, list[int]] = {}
    try:
        with os.scandir(root) as entries:
            names = [e.name for e in entries]
    except FileNotFoundError:
        return {}
    except OSError as e:
        raise UsageError(f"{root} cannot be read: {e.strerror}") from e
    start = f"{root}{os.sep}"
    for name in names:
        try:
            about = os.stat(f"{start}{name}{os.sep}{LOG}")
        except OSError:  # no run folder, or one that has just been moved away
            continue
        out[name] = [about.st_size, about.st_mtime_ns]
    return out


def _read_row(folder: Path) -> RunRow:
    live = (folder / LOCK).exists() and being_written(folder)
    try:
        found = read(folder)
    except UsageError as e:
        summary = summarise([], str(e))
    else:
        summary = summarise(found.events, found.missing, live=live)
    return row_of(folder.name, summary)


def _load(path: Path) -> dict[str, tuple[list[int], RunRow]]:
    """What the file says; nothing at all when it is missing, damaged or of another form."""
    try:
        told = json.loads(path.read_text("utf-8"))
        if told["form"] != _FORM:
            return {}
        return {cells[0]: (stamp, _row(cells)) for stamp, cells in told["rows"]}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}


#: plain lookups: ten thousand calls of an enumeration are noticed
_STATES = {str(s): s for s in RunState}
_VERDICTS = {str(v): v for v in Verdict}


def _row(cells: list[Any]) -> RunRow:
    *plain, state, verdict, seconds, stages, boards, failed, undecided, causes = cells
    values = [
        *plain,
        _STATES[state],
        _VERDICTS[verdict],
        seconds,
        stages,
        tuple([BoardRow(*b) for b in boards]),
        tuple(failed),
        tuple(undecided),
        tuple([(c, b) for c, b in causes]),
    ]
    return RunRow(*values)


def _store(path: Path, rows: Mapping[str, tuple[list[int], RunRow]]) -> None:
    """Replace the file in one step; a failure costs time at the next listing and nothing else."""
    new = path.with_name(f"{path.name}.{os.getpid()}")
    told = {"form": _FORM, "rows": [[stamp, astuple(row)] for stamp, row in rows.values()]}
    try:
        new.write_text(json.dumps(told, separators=(",", ":")) + "\n", "utf-8")
        os.replace(new, path)
    except OSError:
        new.unlink(missing_ok=True)
