"""The exceptions of benchctl, one tree; the class says whose fault it is.

    BenchctlError
    ├── UsageError (ValueError)         the caller's: argument, procedure, bench file, run folder     exit 2
    ├── WrongDevice                     something answers on the port, but it is no board of ours     exit 2
    ├── BoardError                      the board's                                                  exit 3
    │   ├── NoAnswer (TimeoutError)     it did not answer in time
    │   ├── Refused                     it answered with an error code
    │   └── Restarted                   it restarted while it was being used
    ├── PortLost (ConnectionError)      the cable's or the system's: the port went away               exit 3
    ├── RecordLost (OSError)             the system's: the run record cannot be written               exit 3
    ├── OperatorAbsent                  nobody is there to answer                                     exit 3
    ├── Stopped                         the operator stopped the run                                  exit 3
    └── InternalError                   ours: a bug                                                   exit 3

Exit codes are those of the command line: 1 is a judged failure and never an exception.
"""

from __future__ import annotations


class BenchctlError(Exception):
    """Root of the tree. The text is one sentence for the person at the bench."""

    exit_code = 3


class UsageError(BenchctlError, ValueError):
    """Bad input from outside: a mistyped key in a bench file, an unknown stage, a missing run folder."""

    exit_code = 2


class WrongDevice(BenchctlError):
    """The port talks, but not our protocol: another gadget, another firmware, another baud rate or version."""

    exit_code = 2


class BoardError(BenchctlError):
    """The board did something that the caller has to judge.

    role, request: the board and the request it is about, "" where it is about none.
    """

    def __init__(self, text: str, *, role: str = "", request: str = "") -> None:
        super().__init__(text)
        self.role = role
        self.request = request


class NoAnswer(BoardError, TimeoutError):
    """No answer in time: the board is off, hangs, or the cable drops bytes."""


class Refused(BoardError):
    """The board answered with an error code.

    code: name of the code in the catalogue's `Error` list, in lower case.
    """

    def __init__(self, text: str, code: str, *, role: str = "", request: str = "") -> None:
        super().__init__(text, role=role, request=request)
        self.code = code


class Restarted(BoardError):
    """The board restarted in the middle of what it was asked to do.

    cause: name of the reset cause, as in the boot message.
    """

    def __init__(self, text: str, cause: str) -> None:
        super().__init__(text)
        self.cause = cause


class PortLost(BenchctlError, ConnectionError):
    """The port is gone: cable pulled, hub reset, the other process closed the socket.

    to_flash: port on which a board waits for the right program, "" where none does.
    """

    def __init__(self, text: str, *, to_flash: str = "") -> None:
        super().__init__(text)
        self.to_flash = to_flash


class RecordLost(BenchctlError, OSError):
    """The run record cannot be written: disk full, folder read-only or gone. What was recorded is kept."""


class OperatorAbsent(BenchctlError):
    """A prompt needs a person and the run has none, or the person did not answer in time."""


class Stopped(BenchctlError):
    """The operator stopped the run: key, signal, closed terminal."""


class InternalError(BenchctlError):
    """A state that the code rules out. Please report it."""


def sentence(trouble: BaseException) -> str:
    """What to tell of any exception: its text when it is ours to raise, else what bug it shows."""
    if isinstance(trouble, BenchctlError) and not isinstance(trouble, InternalError):
        return str(trouble)
    what = str(trouble) if isinstance(trouble, InternalError) else f"{type(trouble).__name__}: {trouble}"
    return f"a fault of benchctl itself, please report it: {what}"


def exit_code(trouble: BaseException) -> int:
    """The exit code of the command line that an exception ends."""
    return trouble.exit_code if isinstance(trouble, BenchctlError) else BenchctlError.exit_code
