"""Which line of the transceiver is broken: evidence by SPI and by looking at pins, and the rules that name the line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from benchctl.errors import Refused
from benchctl.facts import Line
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.transceiver_joints import (
    HIGH,
    INPUT,
    LOW,
    PULL_UP,
    clocked_by_data,
    csn_held_low,
    exchanged,
    joined,
    pin,
)
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Function

#: power-down to standby takes up to 4.5 ms with the slowest crystals (Product Specification, table 16)
START_UP_S = 0.006
#: a transmission with one retry at 250 kbps ends well within this
SEND_S = 0.02


@dataclass(slots=True)
class Lines:
    """What was seen. None: not looked at.

    status: answer to NOP. registers: name to value as read. wrong_bits: bits that did not read back as written.
    stuck: all registers read the same value, this one. miso_selected, miso_released: MISO level under a weak
    pull-up with CSN low and high. irq_idle: IRQ pin with no interrupt pending. sent: STATUS shows that a
    transmission ended. sent_unasked: one did with CE low. irq_fell: the IRQ pin followed. swapped: exchanging these two
    pins makes it work, or would: inferred. bridged: two lines that are joined, as "CE and CSN". exchanged: bus lines
    that are exchanged, as "MISO and MOSI". csn_low: CSN stays low when it is let go of.
    """

    status: int = 0
    registers: dict[str, int] = field(default_factory=dict)
    wrong_bits: int = 0
    bits: int = 0
    stuck: int | None = None
    miso_selected: int | None = None
    miso_released: int | None = None
    irq_idle: int | None = None
    sent: bool | None = None
    sent_unasked: bool | None = None
    irq_fell: bool | None = None
    irq_fell_blind: bool | None = None
    swapped: str = ""
    inferred: bool = False
    bridged: str = ""
    exchanged: str = ""
    csn_low: bool | None = None

    @property
    def two(self) -> str:
        """The two lines that solder or wires have confused."""
        return self.bridged or self.exchanged or self.swapped

    @property
    def spi_works(self) -> bool:
        """Whether reads and writes came back right."""
        return nrf.status_possible(self.status) and self.wrong_bits == 0 and self.bits > 0 and self.stuck is None


def spi(board: Board, *data: int) -> bytes:
    """One raw SPI transaction."""
    return board.ask(msg.RadioSpi(data=bytes(data))).data


def read_register(board: Board, register: nrf.Register) -> int:
    """A register of the transceiver, low byte first."""
    answer = spi(board, nrf.READ | register.address, *([nrf.NOP] * register.width))
    return int.from_bytes(answer[1 : 1 + register.width], "little")


def write_register(board: Board, register: nrf.Register, value: int) -> None:
    """Set a register of the transceiver."""
    spi(board, nrf.WRITE | register.address, *value.to_bytes(register.width, "little"))


def _irq_wired(board: Board) -> bool:
    return board.read_pin(Function.RADIO_IRQ) != NO_PIN


def examine(board: Board, wait: Callable[[float], None]) -> Lines:
    """Look at everything; leaves the transceiver to be set up anew by `radio_apply`."""
    seen = Lines()
    seen.swapped = _held_by_irq(board)
    seen.inferred = bool(seen.swapped)
    if seen.inferred:
        return seen  # whatever else is tried drives against the transceiver's output
    pin(board, Function.RADIO_CE, LOW)
    seen.status = spi(board, nrf.NOP)[0]
    seen.registers = {r.name: read_register(board, r) for r in nrf.REGISTERS}
    _write_test(board, seen)
    _look_at_miso(board, seen)
    seen.bridged = joined(board)
    if seen.spi_works:
        _send_test(board, seen, wait)
        return seen
    seen.csn_low = csn_held_low(board)
    if not seen.bridged:
        seen.exchanged = exchanged(board) or ("SCK and MOSI" if clocked_by_data(board) else "")
    # with these the transceiver would be driven against
    if not seen.exchanged:
        seen.irq_fell_blind = _blind_test(board, wait)
    if not seen.bridged and not seen.exchanged:
        _try_swapped(board, seen)
    return seen


def _write_test(board: Board, seen: Lines) -> None:
    write_register(board, nrf.REGISTERS[0], 0x08)
    values = set()
    for register in nrf.REGISTERS:
        for value in nrf.patterns(register):
            write_register(board, register, value)
            found = read_register(board, register)
            values.add(found & 0xFF)
            seen.wrong_bits += ((found ^ value) & register.writable).bit_count()
            seen.bits += register.writable.bit_count()
        write_register(board, register, register.reset)
    if len(values) == 1:
        seen.stuck = values.pop()


def _look_at_miso(board: Board, seen: Lines) -> None:
    """A selected chip drives MISO with STATUS bit 7, always 0; a released one lets go of it.

    Interrupts that an earlier stage left pending are cleared: IRQ is to be looked at with none.
    """
    spi(board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    try:
        pin(board, Function.RADIO_CSN, LOW)
        seen.miso_selected = pin(board, Function.RADIO_MISO, PULL_UP)
        pin(board, Function.RADIO_CSN, HIGH)
        seen.miso_released = pin(board, Function.RADIO_MISO, PULL_UP)
        if _irq_wired(board):
            seen.irq_idle = pin(board, Function.RADIO_IRQ, PULL_UP)
    except Refused:
        return


def _send_test(board: Board, seen: Lines, wait: Callable[[float], None]) -> None:
    """Send to an address where nobody listens: MAX_RT must rise in STATUS and pull the IRQ pin."""
    start_sending(board, wait, raise_ce=False)
    seen.sent_unasked = bool(spi(board, nrf.NOP)[0] & (nrf.MAX_RT | nrf.TX_DS))
    start_sending(board, wait)
    status = spi(board, nrf.NOP)[0]
    seen.sent = bool(status & (nrf.MAX_RT | nrf.TX_DS))
    if _irq_wired(board):
        seen.irq_fell = pin(board, Function.RADIO_IRQ, PULL_UP) == 0
    spi(board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    spi(board, nrf.FLUSH_TX)


def start_sending(board: Board, wait: Callable[[float], None], *, raise_ce: bool = True) -> None:
    """One short packet to an address where nobody listens; afterwards STATUS has MAX_RT, and IRQ is low.

    raise_ce: false leaves CE as it is, so that nothing must be sent.
    """
    spi(board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    spi(board, nrf.FLUSH_TX)
    spi(board, nrf.WRITE | nrf.EN_AA, 0x3F)
    spi(board, nrf.WRITE | nrf.SETUP_RETR, 0x11)
    spi(board, nrf.WRITE | nrf.TX_ADDR, 0x5B, 0x96, 0x2D, 0xB3, 0x69)
    spi(board, nrf.WRITE | nrf.RX_ADDR_P0, 0x5B, 0x96, 0x2D, 0xB3, 0x69)
    spi(board, nrf.WRITE | nrf.CONFIG, 0x0E)
    wait(START_UP_S)
    spi(board, nrf.WRITE_PAYLOAD, 0x00)
    if raise_ce:
        pin(board, Function.RADIO_CE, HIGH)
        wait(0.001)
        pin(board, Function.RADIO_CE, LOW)
    wait(SEND_S)


def _blind_test(board: Board, wait: Callable[[float], None]) -> bool:
    """Whether the chip obeys although nothing sensible can be read: does sending pull the IRQ pin?"""
    try:
        before = pin(board, Function.RADIO_IRQ, PULL_UP)
        start_sending(board, wait)
        return before == 1 and pin(board, Function.RADIO_IRQ, PULL_UP) == 0
    except Refused:
        return False


def _try_swapped(board: Board, seen: Lines) -> None:
    """Whether CE and CSN are exchanged: both are the transceiver's inputs, so that either may be driven; exchanged in
    the settings, in RAM only, it then answers."""
    one, other = Function.RADIO_CE, Function.RADIO_CSN
    pin_one, pin_other = board.read_pin(one), board.read_pin(other)
    try:
        board.write_pin(one, pin_other)
        board.write_pin(other, pin_one)
        pin(board, one, LOW)
        if answers(board):
            seen.swapped = "CE and CSN"
    except Refused:
        pass
    finally:
        board.write_pin(one, pin_one)
        board.write_pin(other, pin_other)
    if seen.swapped and answers(board):
        seen.swapped = ""  # it answers by its own pins as well: it was asleep before


def _held_by_irq(board: Board) -> str:
    """Where IRQ is although another pin is meant for it, as in "CE and IRQ"; "" where all is well, or nothing is known.

    IRQ is an output, which rests high, and is never driven: it is looked for by pins that only listen, while the pin
    meant for it floats. A CSN with a pull-up reads the same where IRQ is merely open, so there it must not answer.
    The pin where IRQ is stays an input.
    """
    try:
        wired = board.read_pin(Function.RADIO_IRQ) != NO_PIN
        if not wired or pin(board, Function.RADIO_IRQ, INPUT) or not pin(board, Function.RADIO_IRQ, PULL_UP):
            return ""
        if pin(board, Function.RADIO_CE, INPUT):
            return "CE and IRQ"
        pin(board, Function.RADIO_CE, LOW)
        high = pin(board, Function.RADIO_CSN, INPUT)
        pin(board, Function.RADIO_CSN, HIGH)
        if high and not nrf.status_possible(spi(board, nrf.NOP)[0]):
            pin(board, Function.RADIO_CSN, INPUT)
            return "CSN and IRQ"
    except Refused:
        pass
    return ""


def answers(board: Board) -> bool:
    """Whether a transceiver takes two channels and gives them back (table 28: RF_CH)."""
    channel = nrf.REGISTERS[5]
    for value in (0x2A, 0x55):
        write_register(board, channel, value)
        if read_register(board, channel) != value:
            return False
    return nrf.status_possible(spi(board, nrf.NOP)[0])


def _short(function: Function) -> str:
    return function.name.removeprefix("RADIO_")


#: (line, holds), first match wins
_RULES: tuple[tuple[Line, Callable[[Lines], bool]], ...] = (
    (Line.BRIDGED, lambda s: bool(s.bridged)),
    (Line.EXCHANGED, lambda s: bool(s.exchanged)),
    (Line.SWAPPED, lambda s: bool(s.swapped)),
    (Line.CSN_LOW, lambda s: not s.spi_works and bool(s.csn_low)),
    (Line.MISO_LOW, lambda s: not s.spi_works and s.miso_released == 0),
    # one that obeys is being clocked, whatever comes back
    (Line.SCK, lambda s: s.stuck == 0 and s.miso_selected == 0 and s.miso_released == 1 and not s.irq_fell_blind),
    (Line.MISO, lambda s: not s.spi_works and bool(s.irq_fell_blind)),
    (Line.ABSENT, lambda s: s.stuck == 0xFF and s.miso_selected == 1),
    (
        Line.MOSI,
        lambda s: not s.spi_works and nrf.status_possible(s.status) and s.stuck is not None and s.miso_selected == 0,
    ),
    (Line.SPI, lambda s: not s.spi_works),
    (Line.IRQ_LOW, lambda s: s.irq_idle == 0),
    (Line.CE_HIGH, lambda s: bool(s.sent_unasked)),
    (Line.CE, lambda s: s.sent is False),
    (Line.IRQ, lambda s: s.sent is True and s.irq_fell is False),
)


def broken_line(seen: Lines) -> Line | None:
    """What is broken; None when all is well."""
    return next((line for line, holds in _RULES if holds(seen)), None)
