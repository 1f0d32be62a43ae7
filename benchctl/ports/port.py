"""A serial port with its reader thread: the `Port` contract over pyserial, URLs included."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from benchctl.errors import PortLost, UsageError
from benchctl.ports import latency
from benchctl.ports.access import FOREIGN, CannotOpen, open_line
from benchctl.ports.line import Line, line_for
from benchctl.wire.catalogue import BAUDS

#: bytes kept for a reader that does not come: over two minutes of a full 500 kBd line
MOST_KEPT = 8_000_000
#: how long the reset line is held; common boards turn its edge into a pulse
RESET_S = 0.05
_ALL_OPEN: set[SerialPort] = set()
_Sent = TypeVar("_Sent")


def still_open() -> list[str]:
    """Names of ports that have been opened and not closed; for the check that nothing leaks."""
    return sorted(port.name for port in _ALL_OPEN)


#: the last two: pyserial's reads when its object is closed under them
_LOST: tuple[type[Exception], ...] = (*FOREIGN, TypeError, AttributeError)


class SerialPort:
    """An open port. A thread takes bytes in as they come; `wake` is called from it after each chunk and at loss.

    name: as opened. baud: in use. latency_ms: the USB-serial chip's timer, None where not told.
    overflowed: bytes dropped because nobody fetched them.
    """

    def __init__(self, name: str, baud: int, line: Line, wake: Callable[[], None]) -> None:
        self.name = name
        self.baud = baud
        self.wake = wake
        self.overflowed = 0
        self.latency_ms = latency.lower(name, line.serial)
        self._line = line
        self._lock = threading.RLock()  # a signal's handler may come back to it
        self._kept = bytearray()
        self._lost = ""
        self._closing = False
        self._thread = threading.Thread(target=self._take_in, name=f"reader of {name}", daemon=True)
        _ALL_OPEN.add(self)
        self._thread.start()

    @classmethod
    def open(cls, name: str, baud: int = BAUDS[0], wake: Callable[[], None] = lambda: None) -> SerialPort:
        """Open a port by name or pyserial URL. Raises UsageError saying why not and what to do."""
        opened = open_line(name, baud)
        if isinstance(opened, CannotOpen):
            raise UsageError(opened.sentence) from opened.cause
        return cls(name, baud, line_for(opened), wake)

    # ------------------------------------------------------------------ the contract

    def write(self, data: bytes) -> None:
        self._send(self._line.write, data)

    def urgent(self, data: bytes) -> bool:
        """See `session.port.Port`; what the system has not sent yet is thrown away when it would take long."""
        return self._send(self._line.urgent, data)

    def shut(self) -> None:
        self._line.shut = True

    def read_nowait(self) -> bytes:
        with self._lock:
            if self._kept:
                data = bytes(self._kept)
                self._kept.clear()
                return data
            if self._lost:
                raise PortLost(self._lost)
        return b""

    def reset(self) -> None:
        """Pulse DTR and RTS; lines that have neither do nothing. Raises PortLost."""
        try:
            self._set_lines(False)
            time.sleep(RESET_S)
            self._set_lines(True)
        except FOREIGN as e:
            self._refuse_if_lost(e)

    def close(self) -> None:
        """Let go of the port; may be called twice, and by the reader's own callee."""
        with self._lock:
            if self._closing:
                return
            self._closing = True
            self._lost = self._lost or f"{self.name}: it has been closed"
        self._line.poke()
        if self._thread is not threading.current_thread():
            self._thread.join()
        self._line.close()
        _ALL_OPEN.discard(self)

    # ------------------------------------------------------------------ more

    @property
    def lost(self) -> bool:
        return bool(self._lost)

    def set_baud(self, baud: int) -> None:
        """Change the speed without closing, so that the board is not reset. Raises PortLost, UsageError."""
        try:
            self._line.serial.baudrate = baud
        except ValueError as e:
            raise UsageError(f"{self.name}: it cannot do {baud} Bd") from e
        except FOREIGN as e:
            raise PortLost(f"{self.name}: the port is gone ({e})") from e
        self.baud = baud

    # ------------------------------------------------------------------ inside

    def _take_in(self) -> None:
        try:
            while not self._closing:
                data = self._line.read()
                if data:
                    self._keep(data)
                    self.wake()
        except _LOST as e:
            self._lose(e)
        self.wake()

    def _keep(self, data: bytes) -> None:
        with self._lock:
            self._kept += data
            excess = len(self._kept) - MOST_KEPT
            if excess > 0:
                del self._kept[:excess]
                self.overflowed += excess

    def _lose(self, error: BaseException) -> None:
        with self._lock:
            self._lost = self._lost or f"{self.name}: the port is gone ({error})"

    def _send(self, how: Callable[[bytes], _Sent], data: bytes) -> _Sent:
        if self._lost:
            raise PortLost(self._lost)
        try:
            return how(data)
        except FOREIGN as e:
            self._lose(e)
            self.wake()
            raise PortLost(self._lost) from e

    def _set_lines(self, on: bool) -> None:
        self._line.serial.dtr = on
        self._line.serial.rts = on

    def _refuse_if_lost(self, error: Exception) -> None:
        """A pseudo-terminal has no such lines and says so; a port that is gone is found by its reader as well."""
        if self._lost:
            raise PortLost(self._lost) from error
