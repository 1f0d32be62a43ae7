"""Locks between processes, on a file: the system lets go of one when its process ends, however it ends."""

from __future__ import annotations

import errno
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import IO, Any

#: (file, wait) -> whether the lock is ours now
Way = Callable[[IO[bytes], bool], bool]


def try_lock(file: IO[bytes], system: str = sys.platform) -> bool:
    """Lock a file for as long as it is open, if nobody else has. system: as in `sys.platform`."""
    return _way(system)(file, False)


@contextmanager
def locked(path: Path, system: str = sys.platform) -> Iterator[None]:
    """Hold the lock of the file `path`, made where it is missing; waits for whoever has it. Raises OSError."""
    with open(path, "ab", buffering=0) as file:
        while not _way(system)(file, True):
            pass
        yield


def _posix(file: IO[bytes], wait: bool) -> bool:
    fcntl: Any = import_module("fcntl")
    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        if wait:
            raise
        return False
    return True


def _windows(file: IO[bytes], wait: bool) -> bool:
    """Of the first byte, which need not be there; the system itself waits for ten seconds, a try a second."""
    msvcrt: Any = import_module("msvcrt")
    file.seek(0)
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
    except OSError as e:
        if wait and e.errno not in (errno.EACCES, errno.EDEADLK):
            raise
        return False
    return True


def _way(system: str) -> Way:
    return _windows if system == "win32" else _posix
