"""An open serial line as two blocking-with-limit calls; one class for lines with a descriptor, one for the rest.

Reading is by large reads only: reading byte by byte, or up to a delimiter, cannot keep up with two boards.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from typing import Any, Protocol

from benchctl.ports.access import FOREIGN, WRITE_S

#: most bytes taken in one read
CHUNK = 65536
#: output waiting in the system beyond this is thrown away for an urgent write: 5 ms at 500 kBd
BACKLOG = 256
#: how long a normal write steps aside for an urgent one
GIVE_WAY_S = 0.001


class Line(Protocol):
    """What `SerialPort` needs of a line. All raise `access.FOREIGN` when the line is gone."""

    serial: Any

    def read(self) -> bytes:
        """Wait for bytes and return what is there; b"" after a while without, or when poked."""

    def write(self, data: bytes) -> None: ...

    def urgent(self, data: bytes) -> None: ...

    def poke(self) -> None:
        """End a `read` that is waiting."""

    def close(self) -> None: ...


def line_for(opened: Any) -> Line:
    """The fitting line for an opened pyserial object."""
    descriptor = _descriptor(opened) if os.name == "posix" else None
    return PolledLine(opened) if descriptor is None else DescriptorLine(opened, descriptor)


def _descriptor(opened: Any) -> int | None:
    try:
        return int(opened.fileno())
    except (OSError, AttributeError, TypeError, ValueError):
        return None


class DescriptorLine:
    """POSIX: select, then one read of whatever is there. Also sockets."""

    def __init__(self, opened: Any, descriptor: int) -> None:
        self.serial = opened
        self._fd = descriptor
        # a signal's handler stops the boards in whatever the interrupted thread was doing: no lock may be one
        # that it cannot take again, and no event may be waited on
        self._lock = threading.RLock()
        self._open = True
        self._rushing = 0  # urgent writes under way
        self._poke_r, self._poke_w = os.pipe()
        os.set_blocking(descriptor, False)
        self._socket = getattr(opened, "_socket", None)
        if self._socket is not None:
            # a stop must not wait for the acknowledgement of what went before it
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self) -> bytes:
        ready, _, _ = select.select([self._fd, self._poke_r], [], [])
        if self._fd not in ready:
            return b""
        try:
            data = os.read(self._fd, CHUNK)
        except BlockingIOError:
            return b""
        if not data:
            raise ConnectionAbortedError("the other end has gone")
        return data

    def write(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            if self._rushing:
                time.sleep(GIVE_WAY_S)
            rest = self._write_or_wait(rest)

    def _write_or_wait(self, rest: memoryview) -> memoryview:
        """Write what fits; when not all did, wait for room. Returns what is left."""
        rest = rest[self._write_some(rest) :]
        if rest and not select.select([], [self._fd], [], WRITE_S)[1]:
            raise TimeoutError(f"it has taken no bytes for {WRITE_S:g} s")
        return rest

    def urgent(self, data: bytes) -> None:
        self._rushing += 1
        try:
            with contextlib.suppress(*FOREIGN, AttributeError):
                if self.serial.out_waiting > BACKLOG:
                    self.serial.reset_output_buffer()
            rest = memoryview(data)
            while rest:
                rest = self._write_or_wait(rest)
        finally:
            self._rushing -= 1

    def _write_some(self, data: memoryview) -> int:
        # the lock keeps `close` from giving the descriptor to somebody else between check and write
        with self._lock:
            if not self._open:
                raise ConnectionAbortedError("it has been closed")
            try:
                return os.write(self._fd, data)
            except BlockingIOError:
                return 0

    def poke(self) -> None:
        with contextlib.suppress(OSError):
            os.write(self._poke_w, b"x")

    def close(self) -> None:
        with self._lock:
            self._open = False
            with contextlib.suppress(*FOREIGN):
                self.serial.close()
            if self._socket is not None:
                # pyserial forgets to when the other end closed first
                self._socket.close()
        os.close(self._poke_r)
        os.close(self._poke_w)


class PolledLine:
    """No descriptor to wait on (Windows, rfc2217://): ask how much is there and take all of it."""

    def __init__(self, opened: Any) -> None:
        self.serial = opened
        self._lock = threading.RLock()
        self._writer = 0  # thread that is writing
        self._interrupting = b""

    def read(self) -> bytes:
        # at least one byte is asked for, so that an idle line sleeps in the read, up to its time-out
        return bytes(self.serial.read(min(max(self.serial.in_waiting, 1), CHUNK)))

    def write(self, data: bytes) -> None:
        with self._lock:
            while data:
                self._writer = threading.get_ident()
                try:
                    self.serial.write(data)
                finally:
                    self._writer = 0
                data, self._interrupting = self._interrupting, b""

    def urgent(self, data: bytes) -> None:
        """In a signal's handler that has interrupted a write, right behind that write: pyserial cannot do two."""
        if self._writer == threading.get_ident():
            self._interrupting += data
        else:
            self.write(data)

    def poke(self) -> None:
        return

    def close(self) -> None:
        with contextlib.suppress(*FOREIGN):
            self.serial.close()
