"""Firmware image to board through its boot loader, by the programmer program avrdude; then the board is asked.

avrdude does the transfer and its own read-back. The last word has the board: it computes the CRC-32 of the program
it runs, and that is compared with the image's.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchctl.avr.image import read_image
from benchctl.errors import BoardError, NoAnswer, UsageError
from benchctl.ports.access import CannotOpen, open_line
from benchctl.ports.clock import WallClock
from benchctl.ports.discover import State, probe
from benchctl.session.board import Board
from benchctl.session.boot import Identity
from benchctl.terms import Role

#: speeds of the boot loaders that such boards come with, newest first (boards.txt of Debian's arduino-core-avr: the
#: first three); 38400 is in use where 57600 is too far off at 8 MHz (common practice, no source)
SPEEDS = (115_200, 57_600, 19_200, 38_400)
#: a board that was just being plugged in may miss the first round
ROUNDS = 2
#: avrdude says something at least this often, or it hangs
SILENCE_S = 30.0
#: the board computes its image's CRC in idle time after the start
CRC_S = 4.0

#: told the phase ("trying 115200 Bd", "writing", "checking", "asking the board") and how much of it is done, 0 to 1
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Flashed:
    """What was done: the boot loader's speed, the image's CRC-32, and what the board then said of itself.

    identity: None where it was not asked.
    """

    speed: int
    image_crc: str
    identity: Identity | None


def flash(
    port: str,
    image: str | Path,
    progress: Progress = lambda phase, done: None,
    *,
    speeds: Sequence[int] = SPEEDS,
    is_probe: bool = True,
) -> Flashed:
    """Program an image (Intel HEX or ELF) into the board on a port.

    is_probe: the image is of the probe firmware, so the board is asked what it runs. speeds: tried in this order.
    Raises UsageError (image, port, programmer program), NoAnswer (no boot loader), BoardError (wrong chip, wrong
    contents afterwards).
    """
    data = read_image(image)
    program = find_programmer()
    target = _target(port)
    _refuse_unless_open(port)
    with tempfile.TemporaryDirectory(prefix="benchctl-") as folder:
        raw = Path(folder, "image.bin")
        raw.write_bytes(data)
        speed = _find_speed_and_write(program, target, port, raw, speeds, progress)
    crc = f"{zlib.crc32(data):08x}"
    identity = _ask(port, crc, progress) if is_probe else None
    return Flashed(speed, crc, identity)


def find_programmer() -> str:
    """Path of avrdude. Raises UsageError saying how to install it."""
    path = shutil.which("avrdude")
    if path is None:
        how = {"linux": "`sudo apt install avrdude`, or your system's counterpart"}.get(
            sys.platform, "the package manager of your system, package avrdude"
        )
        raise UsageError(f"flashing needs the program avrdude, which is not installed; install it with {how}")
    return path


def _target(port: str) -> str:
    """The port as avrdude names it. Raises UsageError for URLs that it cannot open."""
    if "://" not in port:
        return port
    scheme, _, rest = port.partition("://")
    if scheme != "socket":
        raise UsageError(f"{port}: flashing works over serial ports and socket://, not over {scheme}://")
    return f"net:{rest}"


def _refuse_unless_open(port: str) -> None:
    """Our plain reasons before the programmer's; it would also fight with another program over the port."""
    opened = open_line(port, SPEEDS[0])
    if isinstance(opened, CannotOpen):
        raise UsageError(opened.sentence) from opened.cause
    opened.close()


# ---------------------------------------------------------------------- the programmer program


def _find_speed_and_write(
    program: str, target: str, port: str, raw: Path, speeds: Sequence[int], progress: Progress
) -> int:
    for speed in tuple(speeds) * ROUNDS:
        progress(f"trying {speed} Bd", 0.0)
        command = [program, "-c", "arduino", "-p", "m328p", "-P", target, "-b", str(speed), "-D"]
        if _write([*command, "-U", f"flash:w:{raw}:r"], port, progress):
            return speed
    tried = ", ".join(map(str, speeds))
    raise NoAnswer(
        f"{port}: no boot loader answers at {tried} Bd; is it the board's port, and does the board restart when the "
        f"port is opened (100 nF from DTR to its reset pin)?"
    )


def _write(command: Sequence[str], port: str, progress: Progress) -> bool:
    """One go at one speed; False when no boot loader answered. Raises UsageError, BoardError."""
    talk = _Talk(progress)
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as run:
        assert run.stderr is not None
        try:
            # by itself it tries ten times, which takes a minute; once is enough
            while not talk.no_answer and (piece := _read(run.stderr.fileno())):
                talk.hear(piece.decode("utf-8", "replace"))
        except BaseException:
            run.kill()
            raise
        if talk.no_answer:
            run.kill()
    if run.returncode == 0:
        return True
    talk.explain(port)
    return False


def _read(fd: int) -> bytes:
    if not select.select([fd], [], [], SILENCE_S)[0]:
        raise BoardError(f"avrdude has said nothing for {SILENCE_S:g} s and was ended")
    return os.read(fd, 4096)


#: what avrdude (7.1) says, and what that means; None: no boot loader at this speed
_MEANINGS: tuple[tuple[str, type[Exception] | None, str], ...] = (
    (r"not in sync|not responding|unable to open programmer", None, ""),
    (r"expected signature", BoardError, "the chip is no ATmega328P"),
    (r"verification (?:error|mismatch)|content mismatch", BoardError,
     "the flash memory does not hold what was written; the board's supply or its chip is bad"),
    (r"cannot open port|can't open (?:device|port)|unable to open port", UsageError, "avrdude cannot open the port"),
)  # fmt: skip


class _Talk:
    """What avrdude says, followed as it comes: progress bars, complaints."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._text = ""
        self._told: dict[int, str] = {}

    @property
    def no_answer(self) -> bool:
        """It has had one go and found nobody."""
        return re.search(r"attempt \d+ of \d+: not in sync", self._text) is not None

    def hear(self, piece: str) -> None:
        self._text += piece
        bars = re.findall(r"(Reading|Writing) \| (#*)", self._text)
        # bars before the first of writing are of the signature
        first = next((i for i, (what, _) in enumerate(bars) if what == "Writing"), len(bars))
        for i, (what, bar) in enumerate(bars[first:]):
            if self._told.get(i) != bar:
                self._told[i] = bar
                self._progress("writing" if what == "Writing" else "checking", min(len(bar) / 50, 1.0))

    def explain(self, port: str) -> None:
        """Raise what its complaint means; return when it means that nobody answered at this speed."""
        for pattern, fault, sentence in _MEANINGS:
            if re.search(pattern, self._text, re.IGNORECASE):
                if fault is None:
                    return
                raise fault(f"{port}: {sentence} ({self._last_line(pattern)})")
        raise BoardError(f"{port}: avrdude failed ({self._last_line('error')})")

    def _last_line(self, pattern: str) -> str:
        lines = [line.strip() for line in self._text.splitlines() if re.search(pattern, line, re.IGNORECASE)]
        return lines[0] if lines else "it said nothing"


# ---------------------------------------------------------------------- the board's word


def _ask(port: str, expected: str, progress: Progress) -> Identity:
    """The board's identity with its image's CRC. Raises BoardError when it is not the expected one, or silent."""
    progress("asking the board", 0.0)
    found = probe(port, keep=True)
    if found.state is not State.BOARD or found.line is None:
        raise BoardError(f"flashed, but the board does not identify itself: {found.sentence}")
    clock = WallClock()
    found.line.wake = clock.wake
    try:
        identity = _identity_with_crc(Board(Role.HAND, found.line, clock), clock)
    finally:
        found.line.close()
    if identity.image_crc != expected:
        has = identity.image_crc or "none yet"
        raise BoardError(f"{port}: flashed, but the board reports image CRC {has}, expected {expected}")
    progress("asking the board", 1.0)
    return identity


def _identity_with_crc(board: Board, clock: WallClock) -> Identity:
    board.expects_restart = True
    deadline = clock.now() + CRC_S
    identity = board.identify()
    while not identity.image_crc and clock.now() < deadline:
        clock.wait(0.1)
        identity = board.identify()
    return identity
