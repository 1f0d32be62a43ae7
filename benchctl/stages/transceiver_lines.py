"""Which line of the transceiver is broken: evidence by SPI and by looking at pins, and the rules that name the line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.wire.catalogue import Function

INPUT, PULL_UP, LOW, HIGH = range(4)
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
    transmission ended. irq_fell: the IRQ pin followed. swapped: exchanging these two pins makes it work.
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
    irq_fell: bool | None = None
    irq_fell_blind: bool | None = None
    swapped: str = ""

    @property
    def spi_works(self) -> bool:
        return nrf.status_possible(self.status) and self.wrong_bits == 0 and self.bits > 0 and self.stuck is None


def spi(board: Board, *data: int) -> bytes:
    """One raw SPI transaction."""
    return board.ask("radio_spi", data=bytes(data)).data


def read_register(board: Board, register: nrf.Register) -> int:
    answer = spi(board, nrf.READ | register.address, *([nrf.NOP] * register.width))
    return int.from_bytes(answer[1 : 1 + register.width], "little")


def write_register(board: Board, register: nrf.Register, value: int) -> None:
    spi(board, nrf.WRITE | register.address, *value.to_bytes(register.width, "little"))


def pin(board: Board, function: Function, mode: int) -> int:
    return int(board.ask("pin", function=function, mode=mode).level)


def examine(board: Board, wait: Callable[[float], None]) -> Lines:
    """Look at everything; leaves the transceiver to be set up anew by `radio_apply`."""
    seen = Lines()
    pin(board, Function.RADIO_CE, LOW)
    seen.status = spi(board, nrf.NOP)[0]
    seen.registers = {r.name: read_register(board, r) for r in nrf.REGISTERS}
    _write_test(board, seen)
    _look_at_miso(board, seen)
    if seen.spi_works:
        _send_test(board, seen, wait)
    else:
        seen.irq_fell_blind = _blind_test(board, wait)
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
        seen.irq_idle = pin(board, Function.RADIO_IRQ, PULL_UP)
    except Refused:
        return


def _send_test(board: Board, seen: Lines, wait: Callable[[float], None]) -> None:
    """Send to an address where nobody listens: MAX_RT must rise in STATUS and pull the IRQ pin."""
    _start_sending(board, wait)
    status = spi(board, nrf.NOP)[0]
    seen.sent = bool(status & (nrf.MAX_RT | nrf.TX_DS))
    seen.irq_fell = pin(board, Function.RADIO_IRQ, PULL_UP) == 0
    spi(board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    spi(board, nrf.FLUSH_TX)


def _start_sending(board: Board, wait: Callable[[float], None]) -> None:
    spi(board, nrf.WRITE | nrf.STATUS, nrf.STATUS_FLAGS)
    spi(board, nrf.FLUSH_TX)
    spi(board, nrf.WRITE | nrf.EN_AA, 0x3F)
    spi(board, nrf.WRITE | nrf.SETUP_RETR, 0x11)
    spi(board, nrf.WRITE | nrf.TX_ADDR, 0x5B, 0x96, 0x2D, 0xB3, 0x69)
    spi(board, nrf.WRITE | nrf.RX_ADDR_P0, 0x5B, 0x96, 0x2D, 0xB3, 0x69)
    spi(board, nrf.WRITE | nrf.CONFIG, 0x0E)
    wait(START_UP_S)
    spi(board, nrf.WRITE_PAYLOAD, 0x00)
    pin(board, Function.RADIO_CE, HIGH)
    wait(0.001)
    pin(board, Function.RADIO_CE, LOW)
    wait(SEND_S)


def _blind_test(board: Board, wait: Callable[[float], None]) -> bool:
    """Whether the chip obeys although nothing sensible can be read: does sending pull the IRQ pin?"""
    try:
        before = pin(board, Function.RADIO_IRQ, PULL_UP)
        _start_sending(board, wait)
        return before == 1 and pin(board, Function.RADIO_IRQ, PULL_UP) == 0
    except Refused:
        return False


def _try_swapped(board: Board, seen: Lines) -> None:
    """Exchange two pins in the settings, in RAM only, and see whether the transceiver then answers."""
    pairs = (
        (Function.RADIO_CE, Function.RADIO_CSN),
        (Function.RADIO_CSN, Function.RADIO_IRQ),
        (Function.RADIO_CE, Function.RADIO_IRQ),
    )
    for one, other in pairs:
        pin_one, pin_other = board.read_pin(one), board.read_pin(other)
        try:
            board.write_pin(one, pin_other)
            board.write_pin(other, pin_one)
            pin(board, Function.RADIO_CE, LOW)
            if _answers(board):
                seen.swapped = f"{_short(one)} and {_short(other)}"
        except Refused:
            continue
        finally:
            board.write_pin(one, pin_one)
            board.write_pin(other, pin_other)
        if seen.swapped:
            # not so if it now answers by its own pins as well: then it was asleep before
            seen.swapped = "" if _answers(board) else seen.swapped
            return


def _answers(board: Board) -> bool:
    channel = nrf.REGISTERS[5]
    for value in (0x2A, 0x55):
        write_register(board, channel, value)
        if read_register(board, channel) != value:
            return False
    return nrf.status_possible(spi(board, nrf.NOP)[0])


def _short(function: Function) -> str:
    return function.name.removeprefix("RADIO_")


#: (line or cause, holds, sentence), first match wins
_RULES: tuple[tuple[str, Callable[[Lines], bool], str], ...] = (
    ("swapped", lambda s: bool(s.swapped), "{swapped} are swapped: with the two exchanged the transceiver answers"),
    (
        "miso_low",
        lambda s: not s.spi_works and s.miso_released == 0,
        "MISO is held low even while the transceiver is not selected: shorted to ground, or CSN never rises there",
    ),
    (
        "sck",
        # one that obeys is being clocked, whatever comes back
        lambda s: s.stuck == 0 and s.miso_selected == 0 and s.miso_released == 1 and not s.irq_fell_blind,
        "the transceiver drives MISO when selected but never shifts: SCK does not reach it",
    ),
    (
        "miso",
        lambda s: not s.spi_works and bool(s.irq_fell_blind),
        "the transceiver obeys (its IRQ falls) but cannot be read: MISO does not reach the processor",
    ),
    (
        "absent",
        lambda s: s.stuck == 0xFF and s.miso_selected == 1,
        "no transceiver answers: not fitted, without supply, or its CSN line is open",
    ),
    (
        "mosi",
        lambda s: not s.spi_works and nrf.status_possible(s.status) and s.stuck is not None and s.miso_selected == 0,
        "the transceiver answers with a good STATUS but takes no command: MOSI does not reach it",
    ),
    (
        "spi",
        lambda s: not s.spi_works,
        "the transceiver answers but {wrong_bits} of {bits} bits read back wrong: a bad joint on SCK, MOSI or MISO, "
        "or a weak supply",
    ),
    ("irq_low", lambda s: s.irq_idle == 0, "IRQ is held low with no interrupt pending: shorted to ground"),
    (
        "ce",
        lambda s: s.sent is False,
        "registers are right but nothing is ever sent: CE does not reach the transceiver",
    ),
    (
        "irq",
        lambda s: s.sent is True and s.irq_fell is False,
        "the transceiver reports its interrupt in STATUS but the pin stays high: IRQ does not reach the processor",
    ),
)


def broken_line(seen: Lines) -> tuple[str, str]:
    """(line, sentence) of what is broken, ("", "") when all is well."""
    for line, holds, sentence in _RULES:
        if holds(seen):
            return line, sentence.format(swapped=seen.swapped, wrong_bits=seen.wrong_bits, bits=seen.bits)
    return "", ""
