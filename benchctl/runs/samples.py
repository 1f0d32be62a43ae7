"""Tables of raw measurements as compact binary numpy files beside the log.

A table is a one-dimensional record array: one field per column, each in the smallest type that holds its values
without loss. A file grows in place: its header leaves room for the row count (numpy pads it for that), which is
brought up to date when the file is closed. Until then the size of the file tells how many rows it has, so that a
file torn at any byte gives all its whole rows.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchctl.errors import RecordLost, UsageError

Floats = npt.NDArray[np.float64]
Records = npt.NDArray[np.void]

#: tried in this order for whole numbers, then float32, then float64
_WHOLE = ("u1", "i1", "<u2", "<i2", "<u4", "<i4", "<u8", "<i8")
#: rows written at a time: bounds the memory that a long table needs
_BLOCK = 1 << 16


def field_names(columns: Sequence[str]) -> list[str]:
    """Column names as record fields; numbered ones where names are empty or occur twice."""
    names = list(columns)
    if len(set(names)) == len(names) and all(names):
        return names
    return [f"c{i}" for i in range(len(names))]


def narrow(column: Floats) -> str:
    """The smallest type that holds every value of a column and gives it back bit for bit."""
    if not len(column):
        return "u1"
    if np.isfinite(column).all() and not (np.signbit(column) & (column == 0)).any():
        low, high = float(column.min()), float(column.max())
        if low >= -(2.0**53) and high <= 2.0**53 and (column == np.trunc(column)).all():
            return next(t for t in _WHOLE if np.iinfo(t).min <= low and high <= np.iinfo(t).max)
    with np.errstate(over="ignore"):
        short = column.astype(np.float32)
    # NaN is kept as NaN; its payload bits mean nothing here
    return "<f4" if np.array_equal(short, column, equal_nan=True) else "<f8"


def record_type(columns: Sequence[str], table: Floats) -> np.dtype[np.void]:
    """The record type for a table of shape (rows, columns)."""
    return np.dtype([(n, narrow(table[:, i])) for i, n in enumerate(field_names(columns))])


def joined(a: np.dtype[np.void], b: np.dtype[np.void]) -> np.dtype[np.void]:
    """A record type that holds the values of both."""
    return np.dtype([(n, np.promote_types(a[n], b[n])) for n in a.names or ()])


def records(table: Floats, kind: np.dtype[np.void]) -> Records:
    """A table of shape (rows, columns) as records of type `kind`."""
    out = np.empty(len(table), kind)
    for i, name in enumerate(kind.names or ()):
        out[name] = table[:, i]
    return out


def kept(table: Floats, kind: np.dtype[np.void]) -> Records | None:
    """A table as records of type `kind`, None where a value would not come back as it is."""
    if len(kind.names or ()) != table.shape[1]:
        return None
    with np.errstate(invalid="ignore", over="ignore"):
        out = records(table, kind)
        for i, name in enumerate(kind.names or ()):
            column, held = table[:, i], out[name]
            if kind[name].kind == "f":
                if not np.array_equal(held, column, equal_nan=True):
                    return None
            elif not (held == column).all() or np.signbit(column[held == 0]).any():
                return None
    return out


def _header(kind: np.dtype[np.void], rows: int) -> bytes:
    buffer = io.BytesIO()
    about = {"descr": np.lib.format.dtype_to_descr(kind), "fortran_order": False, "shape": (rows,)}
    np.lib.format.write_array_header_1_0(buffer, about)
    return buffer.getvalue()


class BulkWriter:
    """Appends records to one file, on disk at the latest `every_s` after they came.

    clock: monotonic seconds of the machine, or None: then every append is on disk when it returns. Whoever has
    nothing to append calls `sync_if_due` now and then. Every failure to write is a RecordLost; the rows that were
    written whole stay readable.
    """

    def __init__(
        self, path: Path, kind: np.dtype[np.void], clock: Callable[[], float] | None = None, every_s: float = 1.0
    ) -> None:
        self.path = path
        self.kind = kind
        self.rows = 0
        self._clock = clock
        self._every_s = every_s
        self._synced_at = clock() if clock else 0.0
        self._dirty = True
        self._head = _header(kind, 0)
        try:
            self._file = open(path, "xb", buffering=0)  # noqa: SIM115  closed by close()
        except OSError as e:
            raise RecordLost(f"cannot write {path}: {e.strerror}") from e
        try:
            self._write(memoryview(self._head))
        except RecordLost:
            self._file.close()
            raise

    def append(self, block: Records) -> None:
        """Append records of type `kind`, shape (rows,). Raises RecordLost when they cannot be written."""
        if block.dtype != self.kind:
            raise TypeError(f"records are of type {block.dtype}, the file of {self.kind}")
        if not len(block):
            return
        before = len(self._head) + self.rows * self.kind.itemsize
        try:
            self._write(np.ascontiguousarray(block).view(np.uint8).data)
        except RecordLost:
            self._file.truncate(before)
            self._file.seek(before)
            raise
        self.rows += len(block)
        self._dirty = True
        self.sync_if_due()

    def append_table(self, table: Floats) -> int:
        """Append a table of shape (rows, columns) in blocks; how many rows of it `kind` could hold without loss.

        Less than all of them: the block that begins there needs wider types, and was not appended.
        """
        for start in range(0, len(table), _BLOCK):
            block = kept(table[start : start + _BLOCK], self.kind)
            if block is None:
                return start
            self.append(block)
        return len(table)

    def sync_if_due(self) -> None:
        if self._dirty and (self._clock is None or self._clock() - self._synced_at >= self._every_s):
            self.sync()

    def sync(self) -> None:
        """Have everything on disk. Raises RecordLost."""
        if not self._dirty:
            return
        try:
            os.fsync(self._file.fileno())
        except OSError as e:
            raise RecordLost(f"cannot write {self.path}: {e.strerror}") from e
        self._dirty = False
        if self._clock is not None:
            self._synced_at = self._clock()

    def close(self) -> None:
        """Bring the row count in the header up to date, then close. May be called twice. Raises RecordLost."""
        if self._file.closed:
            return
        try:
            head = _header(self.kind, self.rows)
            assert len(head) == len(self._head)
            self._file.seek(0)
            self._write(memoryview(head))
            self._dirty = True
            self.sync()
        finally:
            self._file.close()

    def _write(self, data: memoryview) -> None:
        """Write all of `data`: one call writes at most about 2 GB and stops short where the disk is full."""
        try:
            while data:
                done = self._file.write(data)
                data = data[done:]
        except OSError as e:
            raise RecordLost(f"cannot write {self.path}: {e.strerror}") from e


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on disk, where the system knows such a thing (POSIX does, Windows does not)."""
    if sys.platform == "win32":
        return
    try:
        number = os.open(folder, os.O_RDONLY)
    except OSError as e:
        raise RecordLost(f"cannot write {folder}: {e.strerror}") from e
    try:
        os.fsync(number)
    except OSError as e:
        raise RecordLost(f"cannot write {folder}: {e.strerror}") from e
    finally:
        os.close(number)


def read_records(path: Path, rows: int | None = None) -> Records:
    """The records of a file, memory-mapped; all whole rows of a torn one, at most `rows` of them.

    Raises UsageError naming the file when it is missing or no table of records.
    """
    try:
        with open(path, "rb") as f:
            version = np.lib.format.read_magic(f)
            if version != (1, 0):
                raise ValueError(f"version {version}")
            shape, _, kind = np.lib.format.read_array_header_1_0(f)
            start, size = f.tell(), os.fstat(f.fileno()).st_size
    except OSError as e:
        raise UsageError(f"{path}: cannot be read: {e.strerror}") from e
    except (ValueError, SyntaxError, TypeError, UnicodeDecodeError) as e:
        raise UsageError(f"{path}: is no table of records: {e}") from e
    if not kind.names or kind.hasobject or len(shape) != 1 or not kind.itemsize:
        raise UsageError(f"{path}: is no table of records")
    whole = (size - start) // kind.itemsize
    count = whole if rows is None else min(rows, whole)
    if not count:
        return np.empty(0, kind)
    return np.memmap(path, kind, "r", start, (count,))


def read_table(path: Path, rows: int | None = None) -> Floats:
    """The same as a float64 array of shape (rows, columns)."""
    found = read_records(path, rows)
    names = found.dtype.names or ()
    out = np.empty((len(found), len(names)), np.float64)
    for i, name in enumerate(names):
        out[:, i] = found[name]
    return out
