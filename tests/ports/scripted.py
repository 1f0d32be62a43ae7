"""A board made of the message catalogue alone, and the far ends of serial lines to put it behind."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from typing import Any, Protocol

from benchctl.ports.outlets import speed_of
from benchctl.wire.catalogue import PROTOCOL
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, Msg, decode

ROLES = ("hand", "craft", "gauge")


class Device(Protocol):
    """Whatever hangs on the far end of a line: bytes in, bytes out."""

    def feed(self, data: bytes) -> bytes: ...


class ScriptedBoard:
    """Answers identify, clock, echo and stop; remembers what it was asked. deaf_for: requests it lets pass first."""

    def __init__(self, role: str = "hand", label: str = "mudlark-hand-01", protocol: int = PROTOCOL, deaf_for: int = 0):
        self.role, self.label, self.protocol, self.deaf_for = role, label, protocol, deaf_for
        self.asked: list[str] = []
        self.image_crc = 0x1234ABCD
        self.clock_ok = 1
        self._deframer = Deframer()

    def feed(self, data: bytes) -> bytes:
        return b"".join(self._answer(decode(body)) for body in self._deframer.feed(data))

    def _answer(self, request: Msg | Malformed) -> bytes:
        if isinstance(request, Malformed):
            return b""
        if self.deaf_for:
            self.deaf_for -= 1
            return b""
        self.asked.append(request.NAME)
        fields: dict[str, Callable[[], dict[str, Any]]] = {
            "identify": self._identity,
            "clock": lambda: {"received": 5, "sent": 9},
            "stop": lambda: {"state": 0},
            "echo": lambda: {"data": request.data},
        }
        make = fields.get(request.NAME)
        answer = make() if make is not None else {}
        return frame(request.ANSWER(**answer).encode(request.sequence))

    def _identity(self) -> dict[str, Any]:
        return {
            "protocol": self.protocol,
            "firmware": 0x0102,
            "image_crc": self.image_crc,
            "role": ROLES.index(self.role),
            "label": self.label,
            "clock_hz": 16_000_000,
            "boot_count": 3,
            "cause": 1,
            "mcusr": 1,
            "cause_from": 0,
            "stack_free": 700,
            "settings_ok": 1,
            "signature": bytes((0x1E, 0x95, 0x0F)),
            "image": 0,
            "fuses": b"\xff\xff\xfd\xde",
            "clock_ok": self.clock_ok,
        }


class Talker:
    """Another device: says the same thing whenever it hears or has heard anything, and once at the start."""

    def __init__(self, says: bytes) -> None:
        self.says = says

    def feed(self, data: bytes) -> bytes:
        return self.says


class Silent:
    def feed(self, data: bytes) -> bytes:
        return b""


class FarEnd:
    """Serves a device on a descriptor from a thread, until closed."""

    def __init__(self, fd: int, device: Device, tick: Callable[[], bytes] = lambda: b"") -> None:
        self.fd, self.device, self._tick = fd, device, tick
        self._stop_r, self._stop_w = os.pipe()
        os.set_blocking(fd, False)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            ready, _, _ = select.select([self.fd, self._stop_r], [], [], 0.02)
            if self._stop_r in ready:
                return
            data = b""
            with contextlib.suppress(OSError):
                data = os.read(self.fd, 65536) if ready else b""
            with contextlib.suppress(OSError):
                out = (self.device.feed(data) if data else b"") + self._tick()
                if out:
                    os.write(self.fd, out)

    def close(self) -> None:
        os.write(self._stop_w, b"x")
        self._thread.join()
        for fd in (self._stop_r, self._stop_w):
            os.close(fd)


class AtSpeed:
    """A device that hears, and is heard, at one speed only; at others both sides get rubbish, as on a real line."""

    def __init__(self, device: Device, baud: int) -> None:
        self.device, self.baud = device, baud
        self.speed: Callable[[], int | None] = lambda: baud

    def feed(self, data: bytes) -> bytes:
        return self.device.feed(data) if self.speed() == self.baud else b"\xf8\x7f\x81"


@contextlib.contextmanager
def on_pty(device: Device, tick: Callable[[], bytes] = lambda: b"") -> Iterator[str]:
    """A device behind a pseudo-terminal; gives the port's name."""
    with unplug(device, tick) as (name, _):
        yield name


@contextlib.contextmanager
def unplug(device: Device, tick: Callable[[], bytes] = lambda: b"") -> Iterator[tuple[str, Callable[[], None]]]:
    """The same, with a function that pulls the cable."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    if isinstance(device, AtSpeed):
        device.speed = lambda: speed_of(master)
    end = FarEnd(master, device, tick)
    pulled = []

    def pull() -> None:
        pulled.append(True)
        end.close()
        os.close(master)

    try:
        yield name, pull
    finally:
        if not pulled:
            pull()


@contextlib.contextmanager
def on_socket(device: Device) -> Iterator[str]:
    """A device behind a TCP port; gives the pyserial URL."""
    listener = socket.create_server(("127.0.0.1", 0))
    ends: list[tuple[FarEnd, socket.socket]] = []

    def accept() -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = listener.accept()
                ends.append((FarEnd(peer.fileno(), device), peer))

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()
        for end, peer in ends:
            end.close()
            peer.close()
