"""An open serial line: reading and writing that wait with a limit, and the stop's writing, which never waits.

One class for lines with a descriptor, one for the rest.

Reading is by large reads only: reading byte by byte, or up to a delimiter, cannot keep up with two boards.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import sys
import threading
import time
from typing import Any, Protocol

from benchctl.errors import Stopped
from benchctl.ports.access import FOREIGN, WRITE_S

#: most bytes taken in one read
CHUNK = 65536
#: output waiting in the system beyond this is thrown away for an urgent write: 5 ms at 500 kBd
BACKLOG = 256
#: how long an urgent write waits for a thread that is between a look and its write: both take microseconds
LOCK_S = 0.005
#: how often a write that waits for room looks whether it may go on
LOOK_S = 0.02
SHUT = "the run has been stopped: nothing but stops is sent any more"


class Line(Protocol):
    """What `SerialPort` needs of a line. All raise `access.FOREIGN` when the line is gone.

    shut: only urgent bytes leave any more. It is looked at under the lock that orders all writes, directly before
    each, so that nothing else leaves after an urgent write that came after it was set.
    """

    serial: Any
    shut: bool

    def read(self) -> bytes:
        """Wait for bytes and return what is there; b"" after a while without, or when poked."""

    def write(self, data: bytes) -> None:
        """Raises Stopped once `shut`."""

    def urgent(self, data: bytes) -> bool:
        """From any thread, without waiting; whether all of it was taken."""

    def poke(self) -> None:
        """End a `read` that is waiting."""

    def close(self) -> None:
        """Let go of the port; whoever reads or writes then gets `access.FOREIGN`."""


def line_for(opened: Any) -> Line:
    """The fitting line for an opened pyserial object."""
    descriptor = None if sys.platform == "win32" else _descriptor(opened)
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
        self.shut = False
        self._fd = descriptor
        # held for one write that does not wait at most; a signal's handler may come back to it
        self._lock = threading.RLock()
        self._open = True
        self._poke_r, self._poke_w = os.pipe()
        if sys.platform != "win32":  # `line_for` takes the other line there
            os.set_blocking(descriptor, False)
        self._socket = getattr(opened, "_socket", None)
        if self._socket is not None:
            # a stop must not wait for the acknowledgement of what went before it
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self) -> bytes:
        """See `Line.read`."""
        ready, _, _ = select.select([self._fd, self._poke_r], [], [])
        if self._fd not in ready:
            return b""
        data = self._read_some()
        if data == b"":
            raise ConnectionAbortedError("the other end has gone")
        data = data or b""
        # a terminal gives at most 4 kB a read: on a busy machine each that is handed on alone costs a turn of others
        while data and len(data) < CHUNK and (more := self._read_some()):
            data += more
        return data

    def _read_some(self) -> bytes | None:
        """What one read gives: None where nothing is there, b"" where the other end has gone."""
        try:
            return os.read(self._fd, CHUNK)
        except BlockingIOError:
            return None

    def write(self, data: bytes) -> None:
        """See `Line.write`."""
        rest = memoryview(data)
        deadline = 0.0
        while True:
            with self._lock:
                if self.shut:
                    raise Stopped(SHUT)
                sent = self._write_some(rest)
            rest = rest[sent:]
            if not rest:
                return
            if sent or not deadline:
                deadline = time.monotonic() + WRITE_S
            elif time.monotonic() > deadline:
                raise TimeoutError(f"it has taken no bytes for {WRITE_S:g} s")
            select.select([], [self._fd], [], LOOK_S)

    def urgent(self, data: bytes) -> bool:
        """See `Line.urgent`."""
        if not self._lock.acquire(timeout=LOCK_S):
            return False  # it is just being closed, which may take a system's time
        try:
            with contextlib.suppress(*FOREIGN, AttributeError):
                if self.serial.out_waiting > BACKLOG:
                    self.serial.reset_output_buffer()
            return self._write_some(memoryview(data)) == len(data)
        finally:
            self._lock.release()

    def _write_some(self, data: memoryview) -> int:
        # the lock keeps `close` from giving the descriptor to somebody else between check and write
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
        """See `Line.close`."""
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
    """No descriptor to wait on (Windows, rfc2217://): ask how much is there and take all of it.

    pyserial's write waits, so the stop goes around it: through the socket where there is one, else by a thread.
    """

    def __init__(self, opened: Any) -> None:
        self.serial = opened
        self.shut = False
        self._lock = threading.RLock()
        self._socket: Any = getattr(opened, "_socket", None)
        self._stops: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._stopping = self._stopped = False
        if self._socket is not None:
            # pyserial's own is 5 s; with one, the system's socket does not wait by itself
            self._socket.settimeout(WRITE_S)
        else:
            threading.Thread(target=self._send_stops, name=f"stops of {opened.name}", daemon=True).start()

    def read(self) -> bytes:
        # at least one byte is asked for, so that an idle line sleeps in the read, up to its time-out
        return bytes(self.serial.read(min(max(self.serial.in_waiting, 1), CHUNK)))

    def write(self, data: bytes) -> None:
        with self._lock:
            if self.shut:
                raise Stopped(SHUT)
            self.serial.write(data)

    def urgent(self, data: bytes) -> bool:
        return self._urgent_by_thread(data) if self._socket is None else self._urgent_to_socket(data)

    def _urgent_to_socket(self, data: bytes) -> bool:
        """False as well while another thread is in the middle of a write: to be tried again behind it."""
        in_order = self._lock.acquire(timeout=LOCK_S)
        try:
            # RFC 854: 255 is doubled
            wire = data.replace(b"\xff", b"\xff\xff")
            return os.write(self._socket.fileno(), wire) == len(wire) and in_order
        except BlockingIOError:
            return False
        finally:
            if in_order:
                self._lock.release()

    def _urgent_by_thread(self, data: bytes) -> bool:
        """Handed over; whether it has gone is known when it is asked for again."""
        if self._stopped:
            self._stopped = False
            return True
        if not self._stopping:
            self._stopping = True
            self._stops.put(data)
        return False

    def _send_stops(self) -> None:
        while data := self._stops.get():
            with self._lock, contextlib.suppress(*FOREIGN):
                self.serial.write(data)
                self._stopped = True
            self._stopping = False

    def poke(self) -> None:
        return

    def close(self) -> None:
        self._stops.put(b"")
        with contextlib.suppress(*FOREIGN):
            self.serial.close()
