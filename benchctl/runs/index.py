"""A quick list of all runs below a folder: one row a run, kept in a database file beside them.

The file is a convenience, never the truth: a row counts only while the run's log has the size and time that the row
names; everything else is read from the folders anew. It may be deleted at any moment, and where it cannot be written
nothing is lost but time.
"""

from __future__ import annotations

import gc
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any

from benchctl.errors import UsageError
from benchctl.runs.folder import LOCK, being_written
from benchctl.runs.log import LOG, read
from benchctl.runs.summary import RunState, Summary, summarise
from benchctl.terms import Verdict, readable

INDEX = "runs-index.sqlite"
_FORM = 4  # raise it when a field changes: older files are then read anew

#: size and time of a run's log
Stamp = tuple[int, int]


@dataclass(frozen=True, slots=True)
class BoardRow:
    """A board of a run."""

    role: str
    label: str
    firmware: str
    image_crc: str


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run in the list. failed, undecided: titles of stages. causes: the findings, likeliest first, as
    (title, role or ""). cause_names: the same causes, as JSON reports name them."""

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
    cause_names: tuple[str, ...] = ()

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
        failed=tuple(x.title or readable(x.name) for x in s.stages.values() if x.verdict is Verdict.FAIL),
        undecided=tuple(x.title or readable(x.name) for x in s.stages.values() if x.verdict is Verdict.UNDECIDED),
        causes=tuple((f.title, str(f.board or "")) for f in s.findings),
        cause_names=tuple(f.cause for f in s.findings),
    )


def list_rows(root: Path) -> list[RunRow]:
    """Every run below `root`, latest first by name. Raises UsageError when `root` cannot be read."""
    known = _load(root / INDEX)
    stamps = _stamps(root)
    rows: dict[str, RunRow] = {}
    fresh: dict[str, RunRow] = {}
    for name, stamp in stamps.items():
        kept = known.get(name)
        if kept is not None and kept[0] == stamp:
            rows[name] = kept[1]
        else:
            rows[name] = fresh[name] = _read_row(root / name)
    gone = known.keys() - stamps.keys()
    if fresh or gone:
        _store(root / INDEX, {n: (stamps[n], r) for n, r in fresh.items() if r.state is not RunState.RUNNING}, gone)
    return [rows[name] for name in sorted(rows, reverse=True)]


def _stamps(root: Path) -> dict[str, Stamp]:
    """Name of each run folder -> size and time of its log."""
    out: dict[str, Stamp] = {}
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
        out[name] = (about.st_size, about.st_mtime_ns)
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


#: one row a run; lists are kept as JSON
_COLUMNS = ("size", "time", *(f.name for f in fields(RunRow)))
_TABLE = f"create table runs ({', '.join(_COLUMNS)}, primary key (name))"
_LISTS = ("boards", "failed", "undecided", "causes", "cause_names")
#: plain lookups: a hundred thousand calls of an enumeration are noticed
_STATES = {str(s): s for s in RunState}
_VERDICTS = {str(v): v for v in Verdict}


def _connected(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=5.0)


def _load(path: Path) -> dict[str, tuple[Stamp, RunRow]]:
    """What the file says; nothing at all when it is missing, damaged or of another form."""
    if not path.is_file():
        return {}
    collects = gc.isenabled()
    gc.disable()  # a million new objects that all stay
    try:
        with closing(_connected(path)) as db:
            if db.execute("pragma user_version").fetchone()[0] != _FORM:
                return {}
            rows = _Rows()
            return {cells[2]: ((cells[0], cells[1]), rows.made(cells[2:])) for cells in db.execute(_SELECT)}
    except (sqlite3.Error, ValueError, TypeError, KeyError, RecursionError):
        return {}
    finally:
        if collects:
            gc.enable()


_SELECT = f"select {', '.join(_COLUMNS)} from runs"


class _Rows:
    """Makes rows; lists that many rows have alike, as the boards of one pair, are made once."""

    def __init__(self) -> None:
        self._lists: dict[str, Any] = {}

    def made(self, cells: tuple[Any, ...]) -> RunRow:
        """A row of the cells that stand behind the stamp. Raises KeyError or ValueError for what is none."""
        *plain, simulated, state, verdict, seconds, stages, boards, failed, undecided, causes, names = cells
        values = [
            *plain,
            bool(simulated),
            _STATES[state],
            _VERDICTS[verdict],
            seconds,
            stages,
            self._list(boards, BoardRow),
            self._list(failed),
            self._list(undecided),
            self._list(causes, lambda *pair: pair),
            self._list(names),
        ]
        return RunRow(*values)

    def _list(self, text: str, each: Callable[..., Any] | None = None) -> Any:
        found = self._lists.get(text)
        if found is None:
            told = json.loads(text)
            found = self._lists[text] = tuple(told) if each is None else tuple(each(*one) for one in told)
        return found


def _cells(stamp: Stamp, row: RunRow) -> tuple[Any, ...]:
    told = dict(zip(_COLUMNS[2:], astuple(row), strict=True))
    lists = {name: json.dumps(told[name], separators=(",", ":")) for name in _LISTS}
    return (*stamp, *{**told, **lists, "state": str(row.state), "verdict": str(row.verdict)}.values())


def _store(path: Path, fresh: Mapping[str, tuple[Stamp, RunRow]], gone: Iterable[str]) -> None:
    """Keep new rows and let go of old ones; a failure costs time at the next listing and nothing else."""
    for again in (False, True):
        try:
            with closing(_connected(path)) as db, db:
                if db.execute("pragma user_version").fetchone()[0] != _FORM:
                    db.execute("drop table if exists runs")
                    db.execute(_TABLE)
                    db.execute(f"pragma user_version = {_FORM}")
                marks = ", ".join("?" * len(_COLUMNS))
                db.executemany(
                    f"insert or replace into runs values ({marks})", (_cells(*one) for one in fresh.values())
                )
                db.executemany("delete from runs where name = ?", ((name,) for name in gone))
            return
        except sqlite3.OperationalError:  # locked, read-only, no room
            return
        except sqlite3.DatabaseError:
            if again:
                return
            path.unlink(missing_ok=True)  # no database at all
        except OSError:
            return
