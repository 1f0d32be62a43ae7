"""The other side of a serial line: where another program connects. Pseudo-terminals, and TCP where there are none."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import sys
from pathlib import Path
from typing import Protocol

from benchctl.errors import UsageError

#: bytes kept for a program that reads slowly; beyond, as on a real line, they are lost
MOST_WAITING = 65536
CHUNK = 65536


class Outlet(Protocol):
    """One place to connect to. Nothing here waits.

    name: what the other program opens. lost_bytes: sent while it did not read.
    """

    name: str
    lost_bytes: int

    def look(self) -> bool:
        """Note who has come or gone; True when somebody has just connected."""

    def speed(self) -> int | None:
        """The speed in Bd that the other program has set, None where that is not known."""

    def receive(self) -> bytes:
        """What the other program has written, b"" for nothing."""

    def send(self, data: bytes) -> None:
        """To whoever is connected; to nobody, the bytes are gone."""

    def waits_on(self) -> int | None:
        """The descriptor to wait on for input, None while nobody is connected."""

    def close(self) -> None: ...


class _Sending:
    """Bytes on their way to a descriptor that may be slow."""

    def __init__(self) -> None:
        self.lost_bytes = 0
        self._waiting = bytearray()

    def _push(self, fd: int, data: bytes) -> None:
        self._waiting += data
        with contextlib.suppress(OSError):
            del self._waiting[: os.write(fd, self._waiting)]
        excess = len(self._waiting) - MOST_WAITING
        if excess > 0:
            del self._waiting[:excess]
            self.lost_bytes += excess


class PtyOutlet(_Sending):
    """A pseudo-terminal. Opening it after it was closed counts as connecting, as DTR does on a real port.

    link: a name of its own choosing for it, a symbolic link that goes away with it.
    Raises UsageError where the system has none.
    """

    name: str
    _master: int
    _connected: bool
    _link: Path | None

    def __init__(self, link: Path | None = None) -> None:
        super().__init__()
        if sys.platform == "win32":
            raise UsageError("pseudo-terminals are a POSIX thing: expected --tcp on this system")
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN)
        self._connected = False
        self._link = link
        if link is not None:
            self._make_link(link)

    def _make_link(self, link: Path) -> None:
        try:
            if link.is_symlink():
                link.unlink()
            link.symlink_to(self.name)
        except OSError as e:
            os.close(self._master)
            raise UsageError(f"{link}: cannot be made a link to {self.name} ({e.strerror})") from e
        self.name = str(link)

    def look(self) -> bool:
        if sys.platform == "win32":
            return False
        # hung up means that no program has the other side open
        connected = not any(event & select.POLLHUP for _, event in self._poll.poll(0))
        came, self._connected = connected and not self._connected, connected
        if came:
            self._waiting.clear()
        return came

    def speed(self) -> int | None:
        return speed_of(self._master) if sys.platform == "linux" else None

    def receive(self) -> bytes:
        try:
            return os.read(self._master, CHUNK)
        except OSError:
            return b""  # nothing there, or hung up

    def send(self, data: bytes) -> None:
        if self._connected and (data or self._waiting):
            self._push(self._master, data)

    def waits_on(self) -> int | None:
        return self._master if self._connected else None

    def close(self) -> None:
        os.close(self._master)
        if self._link is not None:
            with contextlib.suppress(OSError):
                self._link.unlink()


class TcpOutlet(_Sending):
    """A TCP port of this machine, for one program at a time; a second one is turned away.

    number: the port's, 0 for any free one.
    """

    def __init__(self, number: int = 0) -> None:
        super().__init__()
        try:
            self._listener = socket.create_server(("127.0.0.1", number))
        except OSError as e:
            raise UsageError(f"TCP port {number}: cannot be offered ({e.strerror})") from e
        self._listener.setblocking(False)
        self._peer: socket.socket | None = None
        self.name = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def look(self) -> bool:
        try:
            peer, _ = self._listener.accept()
        except OSError:
            return False
        if self._peer is not None:
            peer.close()
            return False
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer = peer
        self._waiting.clear()
        return True

    def speed(self) -> int | None:
        return None

    def receive(self) -> bytes:
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(CHUNK)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._peer.close()
            self._peer = None
        return data

    def send(self, data: bytes) -> None:
        if self._peer is not None and (data or self._waiting):
            self._push(self._peer.fileno(), data)

    def waits_on(self) -> int | None:
        return self._peer.fileno() if self._peer is not None else None

    def close(self) -> None:
        self._listener.close()
        if self._peer is not None:
            self._peer.close()
            self._peer = None


#: request number and layout of `struct termios2` (Linux, asm-generic/termbits.h): the speed out is its last field
_TCGETS2, _TERMIOS2 = 0x802C542A, struct.Struct("4I20s2I")


def speed_of(fd: int) -> int | None:
    """The speed set on a terminal, also one that has no name of its own in termios."""
    if sys.platform == "win32":
        return None
    import fcntl

    try:
        answer = fcntl.ioctl(fd, _TCGETS2, bytes(_TERMIOS2.size))
    except OSError:
        return None
    return int(_TERMIOS2.unpack(answer)[-1])


def wait_any(outlets: list[Outlet], seconds: float) -> None:
    """Wait until something comes in at any of them, or that long."""
    select.select([fd for o in outlets if (fd := o.waits_on()) is not None], [], [], seconds)
