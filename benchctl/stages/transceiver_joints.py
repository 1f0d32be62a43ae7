"""Solder where none belongs: which lines of the transceiver are joined, exchanged or shorted, by pins that listen.

Nothing is driven but CE and CSN, which are the transceiver's inputs; SCK, MOSI and IRQ are only read, under the chip's
own pull-up and without. The next SPI transaction takes its pins back. Before CE and CSN are driven for the first time,
`joined_at_rest` looks at pins that are all inputs still: joined to each other, or to an output, they must not be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.wire import msg
from benchctl.wire.catalogue import MISO_PIN, NO_PIN, Function

INPUT, PULL_UP, LOW, HIGH = range(4)
#: fixed by the chip: PB3 and PB5
MOSI_PIN, SCK_PIN = 0x13, 0x15
#: s: a pin that nobody holds loses what the pull-up left in it; looks that a joint stands, since floating pins wander
_LATE_S, _ROUNDS = 0.01, 6


def pin(board: Board, function: Function, mode: int) -> int:
    """Put a function's pin into a mode and read its level."""
    return int(board.ask(msg.Pin(function=function, mode=mode)).level)


def joined(board: Board) -> str:
    """Two neighbouring lines of the module's header that solder joins, as "CE and CSN"; "" where none are."""
    try:
        return next((names for names, looks in _JOINED if looks(board)), "")
    except Refused:
        return ""


def joined_at_rest(board: Board, wait: Callable[[float], None], ce: int, csn: int) -> str:
    """As `joined`, by pull-ups alone, of a board that drives none of these pins yet.

    ce, csn: codes of the pins meant for them, NO_PIN for one that is not to be looked at.
    """
    at = {"CE": ce, "CSN": csn, "SCK": SCK_PIN, "MOSI": MOSI_PIN, "MISO": MISO_PIN}
    lines = [name for name, code in at.items() if code != NO_PIN]
    pairs = ((one, other) for one, other in combinations(lines, 2) if joint(board, wait, at[other], at[one]))
    return next((f"{one} and {other}" for one, other in pairs), "")


def joints(board: Board, wait: Callable[[float], None], codes: Sequence[int]) -> set[frozenset[int]]:
    """Which pins of several solder joins, as pairs of codes: by pull-ups, each in its turn while all others listen."""
    found = set()
    for code in codes:
        board.ask(msg.Look(pin=code, mode=INPUT))
    wait(_LATE_S)
    for one in codes:
        low = [other for other in codes if other != one and not _read(board, other, INPUT)]
        board.ask(msg.Look(pin=one, mode=PULL_UP))
        risen = [other for other in low if _read(board, other, INPUT)]
        board.ask(msg.Look(pin=one, mode=INPUT))
        wait(_LATE_S)
        found |= {frozenset((one, other)) for other in risen if joint(board, wait, one, other)}
    return found


def joint(board: Board, wait: Callable[[float], None], one: int, other: int) -> bool:
    """Whether the pull-up of one pin lifts the other, time and again, and it falls without."""
    for code in (one, other):  # from whoever has pulled there before
        board.ask(msg.Look(pin=code, mode=INPUT))
    wait(_LATE_S)
    return all(_lifts(board, wait, one, other) for _ in range(_ROUNDS))


def _lifts(board: Board, wait: Callable[[float], None], one: int, other: int) -> bool:
    if _read(board, other, INPUT):
        return False
    board.ask(msg.Look(pin=one, mode=PULL_UP))
    lifted = _read(board, other, INPUT)
    board.ask(msg.Look(pin=one, mode=INPUT))
    wait(_LATE_S)
    return bool(lifted)


def exchanged(board: Board) -> str:
    """The line at whose pin the transceiver's answer is found in place of MISO's, as "MISO and MOSI"; "": none.

    A selected transceiver drives its MISO low (STATUS bit 7), a released one lets go of it.
    """
    try:
        if _follows(board, Function.RADIO_CSN, MISO_PIN):
            return ""
        found = (("MISO and MOSI", MOSI_PIN), ("MISO and SCK", SCK_PIN))
        return next((names for names, at in found if _follows(board, Function.RADIO_CSN, at)), "")
    except Refused:
        return ""


def clocked_by_data(board: Board) -> bool:
    """Whether the transceiver shifts with MOSI's changes and not with SCK's: the two are exchanged.

    STATUS has ones (0x0E at rest); they come out only when its clock input sees edges.
    """
    still = board.ask(msg.RadioSpi(data=bytes(4))).data
    moving = board.ask(msg.RadioSpi(data=bytes((0xAA,) * 4))).data
    return not any(still) and any(moving) and not all(byte == 0xFF for byte in moving)


def csn_held_low(board: Board) -> bool | None:
    """Whether CSN stays low under the chip's pull-up: shorted to ground. None: not looked at."""
    try:
        held = not pin(board, Function.RADIO_CSN, PULL_UP)
        pin(board, Function.RADIO_CSN, HIGH)
    except Refused:
        return None
    return held


def _read(board: Board, at: int, mode: int) -> int:
    """Anew as an input: what reaches it now, not what reached it before."""
    if mode == PULL_UP:
        board.ask(msg.Look(pin=at, mode=INPUT))
    return int(board.ask(msg.Look(pin=at, mode=mode)).level)


def _follows(board: Board, driven: Function, listener: int) -> bool:
    """Whether a pin that listens under its pull-up has the level of the one that is driven."""
    rest = HIGH if driven is Function.RADIO_CSN else LOW
    try:
        pin(board, driven, LOW)
        low = _read(board, listener, PULL_UP)
        pin(board, driven, HIGH)
        return not low and _read(board, listener, PULL_UP) == 1
    finally:
        pin(board, driven, rest)


def _ce_and_csn(board: Board) -> bool:
    try:
        pin(board, Function.RADIO_CSN, LOW)
        low = pin(board, Function.RADIO_CE, PULL_UP)
        pin(board, Function.RADIO_CSN, HIGH)
        return not low and pin(board, Function.RADIO_CE, PULL_UP) == 1
    finally:
        pin(board, Function.RADIO_CE, LOW)


def _ce_and_sck(board: Board) -> bool:
    return _follows(board, Function.RADIO_CE, SCK_PIN)


def _csn_and_mosi(board: Board) -> bool:
    """MOSI goes with CSN, and so does MISO: where MISO does not, its answer is what is seen at MOSI."""
    return _follows(board, Function.RADIO_CSN, MOSI_PIN) and _follows(board, Function.RADIO_CSN, MISO_PIN)


def _sck_and_miso(board: Board) -> bool:
    return _follows(board, Function.RADIO_CSN, SCK_PIN) and _follows(board, Function.RADIO_CSN, MISO_PIN)


def _sck_and_mosi(board: Board) -> bool:
    """The one is lifted by the other's pull-up, and falls without it; twice, since a pin that floats reads anything.

    An LED at SCK, as some boards have, holds both down: then nothing is told.
    """
    for _ in range(2):
        _read(board, SCK_PIN, INPUT)
        _read(board, MOSI_PIN, PULL_UP)
        lifted = _read(board, SCK_PIN, INPUT)
        _read(board, MOSI_PIN, INPUT)
        if not lifted or _read(board, SCK_PIN, INPUT):
            return False
    return True


def _irq_wired(board: Board) -> bool:
    return board.read_pin(Function.RADIO_IRQ) != NO_PIN


def _miso_and_irq(board: Board) -> bool:
    """IRQ, with no interrupt pending, falls whenever the transceiver is selected."""
    if not _irq_wired(board):
        return False
    try:
        pin(board, Function.RADIO_CSN, LOW)
        low = pin(board, Function.RADIO_IRQ, PULL_UP)
    finally:
        pin(board, Function.RADIO_CSN, HIGH)
    return not low and pin(board, Function.RADIO_IRQ, PULL_UP) == 1


def _mosi_and_irq(board: Board) -> bool:
    """IRQ, with no interrupt pending, is low while MOSI is driven low, and rises when MOSI is let go of."""
    if not _irq_wired(board):
        return False
    board.ask(msg.RadioSpi(data=bytes((nrf.READ | nrf.STATUS, 0x00))))
    low = pin(board, Function.RADIO_IRQ, PULL_UP)
    _read(board, MOSI_PIN, INPUT)
    return not low and pin(board, Function.RADIO_IRQ, PULL_UP) == 1


_JOINED: tuple[tuple[str, Callable[[Board], bool]], ...] = (
    ("CE and CSN", _ce_and_csn),
    ("CE and SCK", _ce_and_sck),
    ("CSN and MOSI", _csn_and_mosi),
    ("SCK and MISO", _sck_and_miso),
    ("SCK and MOSI", _sck_and_mosi),
    ("MISO and IRQ", _miso_and_irq),
    ("MOSI and IRQ", _mosi_and_irq),
)
