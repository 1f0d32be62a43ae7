"""Opening a serial line, and saying in plain words why it cannot be opened and what to do on this system."""

from __future__ import annotations

import errno
import os
import re
import socket
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import serial

#: longest wait for the system to take bytes, before the line counts as gone
WRITE_S = 1.0
#: how long a line without a file descriptor sleeps in one read
POLL_S = 0.05

if sys.platform == "win32":
    _FOREIGN: tuple[type[Exception], ...] = (OSError, ValueError)
else:
    import termios

    # pyserial lets termios.error through, which is no OSError
    _FOREIGN = (OSError, ValueError, termios.error)

#: everything that pyserial and the system raise about a line; SerialException is an OSError
FOREIGN = _FOREIGN
#: besides, its URL handlers fail so on a URL without port, with a wrong option, with an unsupported setting
_FOREIGN_OPENING: tuple[type[Exception], ...] = (*FOREIGN, KeyError, TypeError, AttributeError, NotImplementedError)


class Trouble(StrEnum):
    """Why a port cannot be opened."""

    MISSING = "missing"
    NO_PERMISSION = "no permission"
    BUSY = "busy"
    UNFIT = "unfit"


@dataclass(frozen=True, slots=True)
class CannotOpen:
    """What stands in the way, with one sentence for the person at the bench."""

    trouble: Trouble
    sentence: str
    cause: BaseException | None = None


def open_line(name: str, baud: int) -> Any | CannotOpen:
    """The opened pyserial object of a port or URL, locked for this process, or why there is none."""
    try:
        if _is_url(name):
            # not every handler knows a write time-out or a lock
            return serial.serial_for_url(name, baudrate=baud, timeout=POLL_S)
        line = serial.Serial(name, baudrate=baud, timeout=POLL_S, write_timeout=WRITE_S, exclusive=True)
    except _FOREIGN_OPENING as e:
        return explain(name, e)
    others = holders(name)
    if others:
        # on Linux two programs may open one port and then take each other's bytes
        line.close()
        return CannotOpen(Trouble.BUSY, _busy(name, others))
    return line


def _is_url(name: str) -> bool:
    return "://" in name


_BY_ERRNO: dict[int, Trouble] = {
    errno.ENOENT: Trouble.MISSING,
    errno.ENXIO: Trouble.MISSING,
    errno.ENODEV: Trouble.MISSING,
    errno.EIO: Trouble.MISSING,
    errno.ECONNREFUSED: Trouble.MISSING,
    errno.EHOSTUNREACH: Trouble.MISSING,
    errno.ENETUNREACH: Trouble.MISSING,
    errno.ETIMEDOUT: Trouble.MISSING,
    errno.EACCES: Trouble.NO_PERMISSION,
    errno.EPERM: Trouble.NO_PERMISSION,
    errno.EBUSY: Trouble.BUSY,
    errno.EAGAIN: Trouble.BUSY,
    errno.ENOTTY: Trouble.UNFIT,
    errno.EINVAL: Trouble.UNFIT,
    errno.EISDIR: Trouble.UNFIT,
}


#: our own mistakes in a name or URL, wherever in the chain of exceptions they stand
_MISWRITTEN = (ValueError, KeyError, TypeError, AttributeError, NotImplementedError)


def explain(name: str, error: BaseException, system: str = sys.platform) -> CannotOpen:
    """The trouble behind an exception raised while opening. system: as in `sys.platform`."""
    chain = list(_chain(error))
    trouble = next((_BY_ERRNO[n] for e in chain if (n := _number(e)) in _BY_ERRNO), Trouble.UNFIT)
    if any(isinstance(e, socket.gaierror) for e in chain):
        trouble = Trouble.MISSING
    elif any(isinstance(e, _MISWRITTEN) for e in chain):
        trouble = Trouble.UNFIT
    if system == "win32" and trouble is Trouble.NO_PERMISSION:
        # that system says "access is denied" for a port that another program has open
        trouble = Trouble.BUSY
    return CannotOpen(trouble, _SENTENCES[trouble](name, chain[-1], system), error)


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    """The exception and those behind it: pyserial wraps the system's, and keeps the number in the text only."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _number(error: BaseException) -> int:
    """The system's error number, 0 for none."""
    first = error.args[0] if error.args else None
    number = getattr(error, "errno", None) or first
    if isinstance(number, int):
        return number
    written = re.search(r"(?:Error\(|Errno )(\d+)", str(error))
    return int(written[1]) if written else 0


def _missing(name: str, error: BaseException, system: str) -> str:
    if _is_url(name):
        return f"{name}: nobody answers there ({_words(error)}); is the other end running, host and port right?"
    if not name:
        return "no port is named; `benchctl boards` lists the ports there are"
    return f"{name}: there is no such port; is the board plugged in? `benchctl boards` lists the ports there are"


def _no_permission(name: str, error: BaseException, system: str) -> str:
    advice = _PERMISSION_ADVICE.get(system, _other_advice)
    return f"{name}: no permission to open it; {advice(name)}"


def _busy_sentence(name: str, error: BaseException, system: str) -> str:
    return _busy(name, holders(name))


def _busy(name: str, others: list[Holder]) -> str:
    by = " and ".join(f"{h.program} (process {h.pid})" for h in others) or "another program, or this one twice"
    return f"{name}: in use by {by}; close it there first"


def _unfit(name: str, error: BaseException, system: str) -> str:
    return f"{name}: cannot be used as a serial port ({_words(error)})"


def _words(error: BaseException) -> str:
    # termios.error is no OSError: its number and words are its arguments
    words = error.args[1] if len(error.args) == 2 else str(error)
    return re.sub(r"\s+", " ", getattr(error, "strerror", None) or str(words)).strip().rstrip(".")


_SENTENCES: dict[Trouble, Callable[[str, BaseException, str], str]] = {
    Trouble.MISSING: _missing,
    Trouble.NO_PERMISSION: _no_permission,
    Trouble.BUSY: _busy_sentence,
    Trouble.UNFIT: _unfit,
}


def _linux_advice(name: str) -> str:
    if sys.platform == "win32":
        return "ask whoever looks after this machine"
    try:
        import grp

        state = os.stat(name)
        group = grp.getgrgid(state.st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return "ask whoever looks after this machine"
    if group == "root" or not state.st_mode & 0o060:
        return "only root may; a udev rule that gives the device to a group of yours changes that"
    return f"it belongs to the group {group}: run `sudo usermod -aG {group} $USER`, then log out and in again"


def _other_advice(name: str) -> str:
    return "see who owns it with `ls -l`, and run benchctl as a user who may use it"


_PERMISSION_ADVICE: dict[str, Callable[[str], str]] = {"linux": _linux_advice}


@dataclass(frozen=True, slots=True)
class Holder:
    """Another process that has the port open."""

    pid: int
    program: str


def holders(name: str, proc: Path = Path("/proc")) -> list[Holder]:
    """Other processes that have the device open, where the system tells (Linux; own processes without root)."""
    device = os.path.realpath(name)
    out = []
    for folder in proc.glob("[0-9]*"):
        if int(folder.name) != os.getpid() and _has_open(folder / "fd", device):
            out.append(Holder(int(folder.name), _program(folder)))
    return sorted(out, key=lambda h: h.pid)


def _has_open(folder: Path, device: str) -> bool:
    try:
        return any(_target(folder / entry) == device for entry in os.listdir(folder))
    except OSError:
        return False  # somebody else's process, or it has just ended


def _target(link: Path) -> str:
    try:
        return os.readlink(link)
    except OSError:
        return ""


def _program(folder: Path) -> str:
    try:
        return (folder / "comm").read_text("utf-8", "replace").strip() or "a program"
    except OSError:
        return "a program"
