"""Soldering faults of the six lines, as the processor sees them."""

from __future__ import annotations

import random

import pytest

from benchctl.errors import UsageError
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.nrf24_lines import LineFault, Lines, LinesConfig, Pins, attach

OPEN = LineFault(series_ohms=1e6)


def _chip(fitted: bool = True) -> Transceiver:
    chance = random.Random(1)
    return Transceiver(Agenda(), Air(chance), chance, TransceiverConfig(fitted=fitted))


def _script(pins: Pins) -> str:
    """STATUS; CONFIG; write 76 to the channel and read it back; address of pipe 0."""
    sent = ("ff", "0000", "254c", "0500", "0a0000000000")
    return " ".join(pins.exchange(bytes.fromhex(one), 0.0).hex() for one in sent)


GOOD = "0e 0e08 0e00 0e4c 0ee7e7e7e7e7"
HIGH = "ff ffff ffff ffff ffffffffffff"
LOW = "00 0000 0000 0000 000000000000"

#: worked out by hand from the bus rules of the data sheet, section 8.3
CASES = {
    "good": (LinesConfig(), GOOD),
    "weak joint": (LinesConfig(miso=LineFault(series_ohms=100.0)), GOOD),
    "small leak": (LinesConfig(mosi=LineFault(to_ground_ohms=10e3)), GOOD),
    "miso open": (LinesConfig(miso=OPEN), HIGH),
    "miso open, floats low": (LinesConfig(miso=LineFault(series_ohms=1e7, float_level=0)), LOW),
    "miso to ground": (LinesConfig(miso=LineFault(to_ground_ohms=1.0)), LOW),
    "miso to supply": (LinesConfig(miso=LineFault(to_supply_ohms=1.0)), HIGH),
    # every command is 0x00: read CONFIG, no data after its one byte
    "mosi open": (LinesConfig(mosi=OPEN), "0e 0e08 0e08 0e08 0e0800000000"),
    # every command is 0xFF
    "mosi to supply": (LinesConfig(mosi=LineFault(to_supply_ohms=1.0)), "0e 0e00 0e00 0e00 0e0000000000"),
    # selected but never clocked: the first bit of STATUS stays
    "sck open": (LinesConfig(sck=OPEN), LOW),
    "csn open": (LinesConfig(csn=OPEN), HIGH),
    # one endless transaction that began with NOP
    "csn to ground": (LinesConfig(csn=LineFault(to_ground_ohms=1.0)), "0e 0000 0000 0000 000000000000"),
    "miso and mosi swapped": (LinesConfig(miso=LineFault(to_line="mosi"), mosi=LineFault(to_line="miso")), HIGH),
    "ce open": (LinesConfig(ce=OPEN), GOOD),
    "irq open": (LinesConfig(irq=OPEN), GOOD),
}


@pytest.mark.parametrize("case", CASES)
def test_what_the_processor_reads(case: str) -> None:
    config, expected = CASES[case]
    assert _script(attach(_chip(), config)) == expected


@pytest.mark.parametrize("case", [case for case in CASES if case != "csn to ground"])
def test_byte_by_byte_is_the_same_as_at_once(case: str) -> None:
    config, _ = CASES[case]
    whole, parts = attach(_chip(), config), attach(_chip(), config)
    for sent in ("ff", "254c", "0500", "0a0000000000"):
        data = bytes.fromhex(sent)
        first = bytes((parts.select(0.0),))
        rest = (parts.command(data[0], 0.0) + bytes(32))[: len(data) - 1]
        parts.finish(data[1:], 0.0)
        assert first + rest == whole.exchange(data, 0.0)


def test_an_empty_place_floats_high() -> None:
    pins = attach(_chip(fitted=False))
    assert _script(pins) == HIGH
    assert pins.current_ma(0.0) == 0


def test_good_lines_cost_nothing() -> None:
    chip = _chip()
    assert attach(chip, LinesConfig()) is chip


def test_the_lines_work_bit_by_bit_too() -> None:
    """The bit-level bus, which only faults use, is itself right."""
    assert _script(attach(_chip(), LinesConfig(sck=LineFault(series_ohms=1.0)))) == GOOD


@pytest.mark.parametrize(("ce", "listens"), [(LineFault(), True), (OPEN, False), (LineFault(to_line="irq"), True)])
def test_ce_reaches_the_chip_or_not(ce: LineFault, listens: bool) -> None:
    chip = _chip()
    pins = attach(chip, LinesConfig(ce=ce))
    pins.exchange(b"\x20\x0b", 0.0)
    chip.agenda.run_to(2e-3)
    pins.set_ce(1, 2e-3)
    chip.agenda.run_to(3e-3)
    assert (chip.state.value == "listens") is listens


@pytest.mark.parametrize(
    ("irq", "level"), [(LineFault(), 0), (OPEN, 1), (LineFault(series_ohms=1e6, float_level=0), 0),
                       (LineFault(to_supply_ohms=1.0), 1)],
)  # fmt: skip
def test_the_interrupt_reaches_the_processor_or_not(irq: LineFault, level: int) -> None:
    chip = _chip()
    pins = attach(chip, LinesConfig(irq=irq))
    assert pins.irq.level == (0 if irq.float_level == 0 else 1)
    for sent in ("2100", "200a", "a011"):  # no acknowledgement; powered up; one byte to send
        pins.exchange(bytes.fromhex(sent), 0.0)
    pins.set_ce(1, 0.0)
    chip.agenda.run_to(5e-3)
    assert chip.irq.level == 0
    assert pins.irq.level == level


def test_chip_select_and_ce_swapped_keep_the_bus_open() -> None:
    chip = _chip()
    pins = attach(chip, LinesConfig(csn=LineFault(to_line="ce"), ce=LineFault(to_line="csn")))
    assert isinstance(pins, Lines)
    assert _script(pins) == "0e 0000 0000 0000 000000000000"  # selected while CE is low, so one long NOP
    pins.set_ce(1, 0.0)
    pins.set_ce(0, 0.0)
    assert pins.exchange(b"\x00\x00", 0.0).hex() == "0e08"


def test_unknown_line_names_are_refused_in_words() -> None:
    with pytest.raises(UsageError, match="line miso: to_line is 'misso', expected one of"):
        LinesConfig(miso=LineFault(to_line="misso"))


def _powered(pins: Pins, chip: Transceiver) -> None:
    pins.exchange(b"\x20\x0a", 0.0)
    chip.agenda.run_to(2e-3)


@pytest.mark.parametrize(
    ("config", "sends"),
    [
        (LinesConfig(), True),
        (LinesConfig(ce=OPEN), False),
        (LinesConfig(irq=OPEN), True),
        (LinesConfig(miso=OPEN), True),
    ],
)
def test_a_whole_send_needs_commands_and_ce(config: LinesConfig, sends: bool) -> None:
    chip = _chip()
    pins = attach(chip, config)
    _powered(pins, chip)
    assert (pins.transact(b"1", 2e-3).on_air > 0) is sends
    assert [line for line in ("miso", "mosi", "sck", "csn", "ce", "irq") if not pins.works(line)] == [
        line for line in ("miso", "mosi", "sck", "csn", "ce", "irq") if getattr(config, line) == OPEN
    ]


def test_a_chip_that_never_got_its_commands_sends_nothing() -> None:
    chip = _chip()
    pins = attach(chip, LinesConfig(mosi=OPEN))
    _powered(pins, chip)
    outcome = pins.transact(b"1", 2e-3)
    assert (outcome.ok, outcome.on_air) == (False, 0.0)
    assert not chip.transact(b"1", 2e-3).ok
    assert chip.bursts == 0
