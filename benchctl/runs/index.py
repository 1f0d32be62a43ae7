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
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from benchctl.errors import UsageError
from benchctl.runs.folder import LOCK, being_written
from benchctl.runs.log import LOG, read
from benchctl.runs.summary import RunState, Summary, summarise
from benchctl.terms import Verdict, readable

INDEX = "runs-index.sqlite"
_FORM = 5  # raise it when a field changes: older files are then read anew

#: size and time of a run's log
Stamp = tuple[int, int]


class BoardRow(NamedTuple):
    """A board of a run."""

    role: str
    label: str
    firmware: str
    image_crc: str


class RunRow(NamedTuple):
    """One run in the list. failed, undecided: titles of stages. causes: the findings, likeliest first, as
    (title, role or ""). cause_names: the same causes, as JSON reports name them.

    A tuple, since a hundred thousand are made at once. What many runs have alike stands behind `seconds`.
    """

    name: str
    run: str
    wall: str
    seconds: float
    procedure: str
    procedure_sha256: str
    bench: str
    bench_kind: str
    simulated: bool
    state: RunState
    verdict: Verdict
    stages: int
    boards: tuple[BoardRow, ...]
    failed: tuple[str, ...]
    undecided: tuple[str, ...]
    causes: tuple[tuple[str, str], ...]
    cause_names: tuple[str, ...]

    def labels(self) -> list[str]:
        return [b.label for b in self.boards]


def row_of(name: str, s: Summary) -> RunRow:
    """The row of a run whose folder is called `name`."""
    boards = tuple(BoardRow(str(b.role), b.label, b.firmware, b.image_crc) for b in s.boards.values() if b.seen)
    return RunRow(
        name=name,
        run=s.run,
        wall=s.wall,
        seconds=s.seconds,
        procedure=s.procedure,
        procedure_sha256=s.procedure_sha256,
        bench=s.bench,
        bench_kind=s.bench_kind,
        simulated=s.simulated,
        state=s.state,
        verdict=s.outcome or Verdict.UNDECIDED,
        stages=len(s.stages),
        boards=boards,
        failed=tuple(x.title or readable(x.name) for x in s.stages.values() if x.verdict is Verdict.FAIL),
        undecided=tuple(x.title or readable(x.name) for x in s.stages.values() if x.verdict is Verdict.UNDECIDED),
        causes=tuple((f.title, str(f.board or "")) for f in s.findings),
        cause_names=tuple(f.cause for f in s.findings),
    )


def list_rows(root: Path) -> list[RunRow]:
    """Every run below `root`, latest first by name. Raises UsageError when `root` cannot be read."""
    with _no_collection():
        known, stamps = _load(root / INDEX), _stamps(root)
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


@contextmanager
def _no_collection() -> Iterator[None]:
    """The collector looks in vain, again and again, through a million new objects that all stay."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


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
    near = os.open(root, os.O_RDONLY) if os.stat in os.supports_dir_fd else None
    start, end = "" if near is not None else f"{root}{os.sep}", f"{os.sep}{LOG}"
    try:
        for name in names:
            try:
                about = os.stat(start + name + end, dir_fd=near)
            except OSError:  # no run folder, or one that has just been moved away
                continue
            out[name] = (about.st_size, about.st_mtime_ns)
    finally:
        if near is not None:
            os.close(near)
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


#: what runs have each for itself; what many have alike, as JSON, stands once in the other table
_OWN = ("name", "run", "wall", "seconds")
_FORMS = (
    "create table alike (id integer primary key, told text unique)",
    f"create table runs (size, time, {', '.join(_OWN)}, alike, primary key (name))",
)
_SELECT = f"select size, time, {', '.join(_OWN)}, alike from runs"


def _connected(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=5.0)


def _load(path: Path) -> dict[str, tuple[Stamp, RunRow]]:
    """What the file says; nothing at all when it is missing, damaged or of another form."""
    if not path.is_file():
        return {}
    row = RunRow._make
    try:
        with closing(_connected(path)) as db:
            if db.execute("pragma user_version").fetchone()[0] != _FORM:
                return {}
            alike = {number: _alike(told) for number, told in db.execute("select id, told from alike")}
            return {
                name: ((size, time), row((name, run, wall, seconds, *alike[number])))
                for size, time, name, run, wall, seconds, number in db.execute(_SELECT)
            }
    except (sqlite3.Error, ValueError, TypeError, KeyError, RecursionError):
        return {}


def _alike(told: str) -> tuple[Any, ...]:
    """The fields behind `seconds`. Raises ValueError or TypeError for what is none."""
    *plain, simulated, state, verdict, stages, boards, failed, undecided, causes, names = json.loads(told)
    return (
        *plain,
        bool(simulated),
        RunState(state),
        Verdict(verdict),
        stages,
        tuple(BoardRow(*b) for b in boards),
        tuple(failed),
        tuple(undecided),
        tuple((title, board) for title, board in causes),
        tuple(names),
    )


def _store(path: Path, fresh: Mapping[str, tuple[Stamp, RunRow]], gone: Iterable[str]) -> None:
    """Keep new rows and let go of old ones; a failure costs time at the next listing and nothing else."""
    for again in (False, True):
        try:
            with closing(_connected(path)) as db, db:
                if db.execute("pragma user_version").fetchone()[0] != _FORM:
                    for table in ("runs", "alike"):
                        db.execute(f"drop table if exists {table}")
                    for form in _FORMS:
                        db.execute(form)
                    db.execute(f"pragma user_version = {_FORM}")
                _put(db, fresh)
                db.executemany("delete from runs where name = ?", ((name,) for name in gone))
                db.execute("delete from alike where id not in (select alike from runs)")
            return
        except sqlite3.OperationalError:  # locked, read-only, no room
            return
        except sqlite3.DatabaseError:
            if again:
                return
            path.unlink(missing_ok=True)  # no database at all
        except OSError:
            return


def _put(db: sqlite3.Connection, fresh: Mapping[str, tuple[Stamp, RunRow]]) -> None:
    alike = {row[len(_OWN) :]: "" for _, row in fresh.values()}
    for fields in alike:
        alike[fields] = json.dumps(fields, separators=(",", ":"))
    db.executemany("insert or ignore into alike (told) values (?)", ((told,) for told in alike.values()))
    numbers = {told: number for number, told in db.execute("select id, told from alike")}
    db.executemany(
        f"insert or replace into runs values ({', '.join('?' * (len(_OWN) + 3))})",
        ((*stamp, *row[: len(_OWN)], numbers[alike[row[len(_OWN) :]]]) for stamp, row in fresh.values()),
    )
