"""The run log: one JSON object a line, written first, told to the readers afterwards; read back up to a torn end.

What must survive a power cut is on disk before anybody hears of it: the log is synced at the end of every stage, at
every attestation, at the run's end, when outputs become live and when the run is stopped. The tables that a stage
recorded are on disk before the line that says it ended.
"""

from __future__ import annotations

import json
import os
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchctl import events as ev
from benchctl.errors import BenchctlError, InternalError, RecordLost, UsageError
from benchctl.event_json import from_json, to_json
from benchctl.runs.samples import BulkWriter, Floats, field_names, joined, read_records, record_type, sync_folder

LOG = "events.jsonl"
#: told only once they are on disk
DURABLE = (ev.StageEnded, ev.Attestation, ev.RunEnded, ev.OutputsLive, ev.StopPressed)

Reader = Callable[[ev.Event], None]


class RunLog:
    """Records a run: call it with an event (it is an `Emit`); from any thread.

    folder: an existing, empty run folder. clock: monotonic seconds of the machine, for syncing tables every
    second; None: they are synced at every append. A reader that raises is dropped and a Note says so; the run goes
    on. When the log cannot be written, that call raises RecordLost, once: what was recorded so far is kept, later
    events reach the readers only, and `failure` holds the sentence. After `close` events reach the readers only.
    """

    def __init__(self, folder: Path, clock: Callable[[], float] | None = None) -> None:
        self.folder = folder
        self.failure = ""
        self._clock = clock
        self._lock = threading.RLock()
        self._readers: list[Reader] = []
        self._tables: dict[tuple[str, str], BulkWriter] = {}
        self._names: set[str] = set()
        self._new_names = True  # files whose entry in the folder may not be on disk yet
        self._size = 0
        try:
            self._file = open(folder / LOG, "xb", buffering=0)  # noqa: SIM115  closed by close()
        except FileExistsError as e:
            raise UsageError(f"{folder} holds a run already; a run is never written over") from e
        except OSError as e:
            raise RecordLost(f"cannot write {folder / LOG}: {e.strerror}") from e

    def add_reader(self, reader: Reader) -> None:
        """Tell `reader` every event from now on, in order, after it is written."""
        with self._lock:
            self._readers.append(reader)

    def remove_reader(self, reader: Reader) -> None:
        with self._lock:
            if reader in self._readers:
                self._readers.remove(reader)

    def __call__(self, event: ev.Event) -> None:
        with self._lock:
            lost: RecordLost | None = None
            parts: Sequence[ev.Event] = (event,)
            kept = not isinstance(event, ev.Samples) or event.final
            if kept and not self.failure and not self._file.closed:
                try:
                    parts = self._record(event)
                except RecordLost as e:
                    lost = e
                    self._give_up(str(e), event.t)
            for part in parts:
                self._tell(part)
            if lost is not None:
                raise lost

    def close(self) -> None:
        """Close all files. May be called twice. Raises RecordLost when something cannot be written any more."""
        with self._lock:
            if self._file.closed:
                return
            try:
                if not self.failure:
                    self._close_tables()
                    self._sync()
            finally:
                self._abandon()

    def __enter__(self) -> RunLog:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    # ------------------------------------------------------------------ writing

    def _record(self, event: ev.Event) -> Sequence[ev.Event]:
        """Write an event; what the readers are to be told: it, or the parts that its table was split into."""
        parts: Sequence[ev.Event] = (event,)
        if isinstance(event, ev.Samples):
            parts = self._keep_table(event)
        elif isinstance(event, ev.StageEnded | ev.RunEnded):
            self._close_tables()
        for part in parts:
            self._write_line(part)
        if isinstance(event, DURABLE):
            self._sync()
        for table in self._tables.values():
            table.sync_if_due()
        return parts

    def _write_line(self, event: ev.Event) -> None:
        text = json.dumps(to_json(event), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        line = text.encode("utf-8", "backslashreplace") + b"\n"
        try:
            rest = memoryview(line)
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as e:
            self._file.truncate(self._size)
            raise RecordLost(f"cannot write {self.folder / LOG}: {e.strerror}") from e
        self._size += len(line)

    def _sync(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as e:
            raise RecordLost(f"cannot write {self.folder / LOG}: {e.strerror}") from e
        if self._new_names:
            sync_folder(self.folder)
            self._new_names = False

    def _keep_table(self, event: ev.Samples) -> list[ev.Samples]:
        """Append the event's table to its file; a further file, and event, where its values need wider types."""
        if event.data is None:
            return [event]
        table = np.asarray(event.data, np.float64).reshape(-1, len(event.columns))
        key, out = (event.stage, event.name), []
        writer = self._tables.get(key)
        if writer is not None and writer.kind.names == tuple(field_names(event.columns)):
            done = writer.append_table(table)
            if done or not len(table):
                out.append(replace(event, file=writer.path.name, rows=done, data=table[:done]))
            table = table[done:]
        if len(table) or not out:
            writer = self._wider(key, event, table)
            if writer.append_table(table) < len(table):
                raise InternalError(f"the table {event.name} of {event.stage} does not fit its own types")
            out.append(replace(event, file=writer.path.name, rows=len(table), data=table))
        return out

    def _wider(self, key: tuple[str, str], event: ev.Samples, table: Floats) -> BulkWriter:
        """A new file for a table, in types that hold `table` and what the table's last file held."""
        kind, last = record_type(event.columns, table), self._tables.get(key)
        if last is not None:
            last.close()
            kind = joined(kind, last.kind) if kind.names == last.kind.names else kind
        self._tables[key] = BulkWriter(self.folder / self._file_name(event), kind, self._clock)
        return self._tables[key]

    def _file_name(self, event: ev.Samples) -> str:
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", f"{event.stage}.{event.name}".replace(".", "--"))[:80].strip("-")
        name, n = f"{stem or 'table'}.npy", 1
        while name.lower() in self._names:  # lower: not every file system tells upper case from lower
            n += 1
            name = f"{stem or 'table'}-{n}.npy"
        self._names.add(name.lower())
        self._new_names = True
        return name

    def _close_tables(self) -> None:
        tables, self._tables = self._tables, {}
        lost: list[RecordLost] = []
        for table in tables.values():
            try:
                table.close()
            except RecordLost as e:
                lost.append(e)
        if lost:
            raise lost[0]

    def _give_up(self, sentence: str, t: float) -> None:
        self.failure = sentence
        self._tell(ev.Note(t, "", f"the record ends here: {sentence}", "warning"))

    def _abandon(self) -> None:
        self._file.close()
        for table in self._tables.values():
            try:
                table.close()
            except RecordLost as e:
                self.failure = self.failure or str(e)

    # ------------------------------------------------------------------ telling

    def _tell(self, event: ev.Event) -> None:
        for reader in tuple(self._readers):
            try:
                reader(event)
            except Exception as e:
                self.remove_reader(reader)
                name = getattr(reader, "__qualname__", type(reader).__name__)
                self(ev.Note(event.t, "", f"{name} no longer listens: {type(e).__name__}: {e}", "warning"))


@dataclass(frozen=True, slots=True)
class LogRead:
    """A log read back. complete: it reaches the run's end and nothing is missing. missing: what is, in words."""

    events: tuple[ev.Event, ...]
    complete: bool
    missing: str


def read(folder: Path) -> LogRead:
    """Read a run back: every whole line; a torn end is left out, a damaged line is left out and named.

    Raises UsageError when the folder holds no run or cannot be read.
    """
    path = folder / LOG
    try:
        data = path.read_bytes()
    except FileNotFoundError as e:
        raise UsageError(f"{folder} is no run folder: it has no {LOG}") from e
    except OSError as e:
        raise UsageError(f"{path} cannot be read: {e.strerror}") from e
    events, missing = _parse(data)
    ended = bool(events) and isinstance(events[-1], ev.RunEnded)
    if not ended:
        missing.append("the record stops before the run's end")
    missing += _short_tables(folder, events)
    return LogRead(tuple(events), not missing, "; ".join(missing))


def _parse(data: bytes) -> tuple[list[ev.Event], list[str]]:
    events: list[ev.Event] = []
    missing: list[str] = []
    lines = data.split(b"\n")
    torn = len(lines) - 1  # what follows the last line end; empty when the log is whole
    for i, line in enumerate(lines):
        if not line and i == torn:
            break
        try:
            events.append(from_json(json.loads(line)))
        except (ValueError, RecursionError) as e:
            missing.append(_damage(i, line, i == torn, e))
    return events, missing


def _damage(index: int, line: bytes, last: bool, error: Exception) -> str:
    if last:
        return f"line {index + 1} of {LOG} is cut off after {len(line)} bytes"
    why = "is no event in JSON" if isinstance(error, json.JSONDecodeError | UnicodeDecodeError) else str(error)
    return f"line {index + 1} of {LOG} is damaged: {why}"


def _short_tables(folder: Path, events: list[ev.Event]) -> list[str]:
    """Tables that have fewer rows than the log says, or none."""
    expected: dict[str, int] = {}
    for e in events:
        if isinstance(e, ev.Samples) and e.file:
            expected[e.file] = expected.get(e.file, 0) + e.rows
    out: list[str] = []
    for name, rows in expected.items():
        try:
            found = len(read_records(table_path(folder, name)))
        except BenchctlError as e:
            out.append(str(e))
        else:
            if found < rows:
                out.append(f"{name} has {found} of {rows} rows")
    return out


def table_path(folder: Path, name: str) -> Path:
    """Where a table named in the log lies. Raises UsageError for a name that leads out of the folder."""
    if not name or name != os.path.basename(name) or name.startswith(".") or "\\" in name:
        raise UsageError(f"{folder / LOG}: {name!r} is no name of a table beside the log")
    return folder / name
