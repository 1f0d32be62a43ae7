"""Is there a board of ours on this open port? Asks in every speed that the firmware has, then reads along."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchctl.errors import NoAnswer, Refused, WrongDevice
from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort
from benchctl.session.board import Board
from benchctl.session.boot import Identity
from benchctl.terms import Role
from benchctl.wire.catalogue import BAUDS

#: speeds that other firmware usually prints at (common practice, no source)
USUAL_BAUDS = (9_600, 115_200, 57_600, 38_400)
#: what is kept of a stranger's bytes, and for how long a speed is tried
MOST_HEARD = 64
LISTEN_S = 0.4
#: bytes of the speed before may still come for so long
UNDER_WAY_S = 0.03


@dataclass(frozen=True, slots=True)
class Answer:
    """What came from a port. refused: a board of ours that cannot be used, and why. text_baud: where `sent` reads."""

    port: str
    identity: Identity | None = None
    baud: int = 0
    refused: str = ""
    sent: bytes = b""
    text_baud: int = 0

    def in_words(self) -> str:
        """The stranger's first bytes: as text where they read as text, else in hexadecimal."""
        if self.text_baud:
            text = self.sent.decode("utf-8", "replace").strip()
            return f"it sent the text {text!r} at {self.text_baud} Bd"
        return (
            f"it sent {self.sent[:16].hex(' ')} ({len(self.sent)} bytes or more), which is no text at the usual speeds"
        )


class _Ear:
    """The port as the session sees it, with the first bytes remembered."""

    def __init__(self, port: SerialPort) -> None:
        self._port = port
        self.name = port.name
        self.heard = b""

    def read_nowait(self) -> bytes:
        data = self._port.read_nowait()
        self.heard += data[: MOST_HEARD - len(self.heard)]
        return data

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def urgent(self, data: bytes) -> bool:
        return self._port.urgent(data)

    def shut(self) -> None:
        self._port.shut()

    def reset(self) -> None:
        self._port.reset()

    def set_baud(self, baud: int) -> None:
        self._port.set_baud(baud)

    def close(self) -> None:
        return


def listen(port: SerialPort, seconds: float, *, only_this_speed: bool = False) -> Answer:
    """Have whatever is on the port identify itself. Raises PortLost.

    seconds: patience at the port's present speed, in which a boot loader has to end; other speeds follow quickly.
    The port is left at the speed at which a board answered.
    """
    clock = WallClock()
    port.wake = clock.wake
    heard = b""
    patience = seconds
    for baud in _speeds(port.baud, only_this_speed):
        if baud != port.baud:
            port.set_baud(baud)
        ear = _Ear(port)
        try:
            who = _identify(ear, clock, patience)
        except (WrongDevice, Refused) as e:
            return Answer(port.name, baud=baud, refused=str(e))
        if who is not None:
            return Answer(port.name, who, baud)
        heard = heard or ear.heard
        patience = LISTEN_S
    return _read_along(port, clock, heard, () if only_this_speed else USUAL_BAUDS)


def _speeds(present: int, only_this: bool) -> Iterator[int]:
    yield present
    if not only_this:
        yield from (b for b in BAUDS if b != present)


def _identify(ear: _Ear, clock: WallClock, seconds: float) -> Identity | None:
    """The board's identity, asked for until it comes or the time is over."""
    board = Board(Role.HAND, ear, clock)
    board.expects_restart = True
    deadline = clock.now() + seconds
    while True:
        try:
            return board.identify()
        except NoAnswer:
            if clock.now() >= deadline:
                return None


def _read_along(port: SerialPort, clock: WallClock, heard: bytes, bauds: tuple[int, ...]) -> Answer:
    """A stranger's bytes, at the first usual speed at which they are text."""
    if not heard:
        return Answer(port.name)
    for baud in bauds:
        port.set_baud(baud)
        clock.wait(UNDER_WAY_S)
        port.read_nowait()
        clock.wait(LISTEN_S)
        sample = port.read_nowait()[:MOST_HEARD]
        if is_text(sample):
            return Answer(port.name, sent=sample, text_baud=baud)
    return Answer(port.name, sent=heard)


def is_text(sample: bytes) -> bool:
    """Nearly all of at least four bytes are printable; the first few may be of a torn character."""
    printable = sum(32 <= b < 127 or b in b"\r\n\t" for b in sample)
    return len(sample) >= 4 and printable >= 0.95 * len(sample)
