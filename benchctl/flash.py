"""Firmware image to board through its boot loader, by the programmer program avrdude; then the board is asked.

avrdude does the transfer and its own read-back. The last word has the board: it computes the CRC-32 of the program
it runs, and that is compared with the image's.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO

from benchctl import shipped
from benchctl.avr.image import read_image
from benchctl.errors import BoardError, NoAnswer, UsageError
from benchctl.ports.access import CannotOpen, open_line
from benchctl.ports.clock import WallClock
from benchctl.ports.discover import State, probe
from benchctl.ports.loader import SPEEDS
from benchctl.session.board import Board
from benchctl.session.boot import Identity
from benchctl.terms import Role

#: a board that was just being plugged in may miss the first round
ROUNDS = 2
#: what avrdude calls the chips, tried in this order
PARTS = ("m328p", "m328pb")
#: avrdude says something at least this often, or it hangs
SILENCE_S = 30.0
#: the board computes its image's CRC in idle time after the start
CRC_S = 4.0

#: told the phase ("trying 115200 Bd", "writing", "checking", "asking the board") and how much of it is done, 0 to 1
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Flashed:
    """What was done: the boot loader's speed, the image's CRC-32, and what the board then said of itself.

    identity: None where it was not asked. loader_loops: the boot loader never comes back from a watchdog's reset; None
    where its code could not be read.
    """

    speed: int
    image_crc: str
    identity: Identity | None
    loader_loops: bool | None = None


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
        speed, part = _find_speed_and_write(program, target, port, raw, speeds, progress)
    loops = _loader_loops([program, "-c", "arduino", "-p", part, "-P", target, "-b", str(speed)])
    crc = f"{zlib.crc32(data):08x}"
    identity = _ask(port, crc, loops, progress) if is_probe else None
    return Flashed(speed, crc, identity, loops)


def flash_probe(
    port: str,
    mhz: int | None = None,
    progress: Progress = lambda phase, done: None,
    *,
    role: Role | None = None,
    speeds: Sequence[int] = SPEEDS,
) -> Flashed:
    """Program the shipped probe image for a role. mhz: the board's clock, 16 or 8; None: found out.

    A board that runs the probe already tells both; of one that does not, the image itself finds the clock out, and it
    becomes one of a pair unless `role` says otherwise.
    Raises as `flash`, and BoardError when the board runs at another clock than `mhz`.
    """
    before = probe(port).identity if role is None or mhz is None else None
    role = role or (before and before.role) or Role.HAND
    first = mhz or (before.true_mhz if before is not None and not before.own else 16)
    done = flash(port, shipped.image(first * 1_000_000, role), progress, speeds=speeds)
    if mhz is None and done.identity is not None and not done.identity.clock_ok:
        other = done.identity.true_mhz
        progress(f"the chip runs at {other} MHz", 0.0)
        done = flash(port, shipped.image(other * 1_000_000, role), progress, speeds=(done.speed,))
    if done.identity is not None and done.identity.wrong_clock:
        raise BoardError(f"{port}: {done.identity.wrong_clock}")
    return done


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
) -> tuple[int, str]:
    for speed in tuple(speeds) * ROUNDS:
        progress(f"trying {speed} Bd", 0.0)
        for part in PARTS:
            command = [program, "-c", "arduino", "-p", part, "-P", target, "-b", str(speed), "-D"]
            talk = _write([*command, "-U", f"flash:w:{raw}:r"], progress)
            if talk is None:
                return speed, part
            if not (talk.is_328pb and part != PARTS[-1]):
                talk.explain(port)
                break
    tried = ", ".join(map(str, speeds))
    raise NoAnswer(
        f"{port}: no boot loader answers at {tried} Bd; is it the board's port, and does the board restart when the "
        f"port is opened (100 nF from DTR to its reset pin)?"
    )


def _write(command: Sequence[str], progress: Progress) -> _Talk | None:
    """One go at one speed; None when it is done, else what was said."""
    talk = _Talk(progress)
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as run:
        assert run.stderr is not None
        try:
            # by itself it tries ten times, which takes a minute; once is enough
            for piece in _pieces(run.stderr):
                talk.hear(piece.decode("utf-8", "replace"))
                if talk.no_answer:
                    run.kill()
        except BaseException:
            run.kill()
            raise
    return None if run.returncode == 0 else talk


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """What comes from a pipe, as it comes. Raises BoardError after a silence of SILENCE_S.

    Through a thread: on Windows nothing tells whether a pipe has something to read.
    """
    heard: SimpleQueue[bytes] = SimpleQueue()

    def read() -> None:
        try:
            while piece := os.read(stream.fileno(), 4096):
                heard.put(piece)
        except (OSError, ValueError):  # closed by who gave up waiting
            pass
        heard.put(b"")

    threading.Thread(target=read, name="avrdude", daemon=True).start()
    while True:
        try:
            piece = heard.get(timeout=SILENCE_S)
        except Empty:
            raise BoardError(f"avrdude has said nothing for {SILENCE_S:g} s and was ended") from None
        if not piece:
            return
        yield piece


#: what avrdude (7.1) says, and what that means; None: no boot loader at this speed
_MEANINGS: tuple[tuple[str, type[Exception] | None, str], ...] = (
    (r"not in sync|not responding|unable to open programmer", None, ""),
    (r"expected signature", BoardError, "the chip is no ATmega328P or ATmega328PB"),
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

    @property
    def is_328pb(self) -> bool:
        """The chip's signature is the ATmega328PB's (its data sheet, table 32-8), and another was expected."""
        return re.search(r"signature.*1e ?95 ?16", self._text, re.IGNORECASE) is not None

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


# ---------------------------------------------------------------------- the boot loader

#: the boot section of the old loaders, the largest in use; smaller ones lie at its end (data sheet, "Boot Size
#: Configuration, ATmega328/328P")
_SECTION, _SECTION_BYTES = 0x7800, 2048
_DUMP_S = 20.0
#: "STS 0x0060, Rr", the one way to write WDTCSR (instruction set manual, STS; data sheet, register summary)
_WRITES_WATCHDOG = re.compile(rb"[\x00\x10\x20\x30\x40\x50\x60\x70\x80\x90\xa0\xb0\xc0\xd0\xe0\xf0][\x92\x93]\x60\x00")


def never_ends_watchdog(section: bytes) -> bool:
    """Whether the code of a boot loader never writes the watchdog's register.

    After a watchdog's reset the chip forces the watchdog on, at 16 ms (data sheet, "Watchdog Timer"): such a loader
    starts over and over until the supply is switched off.
    """
    return not any(m.start() % 2 == 0 for m in _WRITES_WATCHDOG.finditer(section))


def _loader_loops(command: Sequence[str]) -> bool | None:
    """The same of the board that has just been programmed; None where its code cannot be read."""
    wanted = f"dump flash {_SECTION} {_SECTION_BYTES}\nquit\n"
    try:
        said = subprocess.run(
            [*command, "-t"], input=wanted, capture_output=True, text=True, timeout=_DUMP_S, check=False
        )
    except subprocess.TimeoutExpired:
        return None
    rows = re.findall(r"^(?:avrdude> )?([0-9a-f]{4,8})\s+((?:[0-9a-f]{2}\s+){16})", said.stdout, re.MULTILINE)
    section = b"".join(bytes.fromhex(row) for _, row in rows)
    blank = not section.strip(b"\xff")
    return None if len(section) != _SECTION_BYTES or blank else never_ends_watchdog(section)


# ---------------------------------------------------------------------- the board's word


def _ask(port: str, expected: str, loader_loops: bool | None, progress: Progress) -> Identity:
    """The board's identity with its image's CRC; what its boot loader does is stored in it.

    Raises BoardError when it is not the expected one, or silent.
    """
    progress("asking the board", 0.0)
    found = probe(port, keep=True)
    if found.state is not State.BOARD or found.line is None:
        raise BoardError(f"flashed, but the board does not identify itself: {found.sentence}")
    clock = WallClock()
    found.line.wake = clock.wake
    try:
        board = Board(Role.HAND, found.line, clock)
        identity = _identity_with_crc(board, clock)
        if loader_loops is not None and board.read_setting("loader_loops") != loader_loops:
            board.write_setting("loader_loops", int(loader_loops))
            board.save_settings()
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
