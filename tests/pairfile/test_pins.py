"""Pins: names, what the chip can do on each, what is refused with the reason."""

from __future__ import annotations

import pytest
from helpers import MUDLARK_PINS

from benchctl.pairfile import pins
from benchctl.pairfile.pins import Can
from benchctl.wire.catalogue import NO_PIN, Function

# ATmega328P data sheet, table 14-3, 14-6, 14-9 (port B, C, D alternate functions)
SHEET = {
    Can.PULSE: {"PB1", "PB2", "PB3", "PD3", "PD5", "PD6"},
    Can.ANALOGUE: {"PC0", "PC1", "PC2", "PC3", "PC4", "PC5", "ADC6", "ADC7"},
    Can.SPI: {"PB3", "PB4", "PB5"},
    Can.TWI: {"PC4", "PC5"},
    Can.UART: {"PD0", "PD1"},
    Can.CRYSTAL: {"PB6", "PB7"},
    Can.RESET: {"PC6"},
    Can.CAPTURE: {"PB0"},
}


@pytest.mark.parametrize("what", SHEET, ids=lambda c: str(c.name))
def test_table_is_the_sheets(what: Can) -> None:
    """Each ability is on the pins that the data sheet gives it, and on no other."""
    assert {p.port for p in pins.TABLE if what in p.can} == SHEET[what]


def test_every_pin_is_there_once_and_found_by_both_names() -> None:
    """23 port pins and two inputs of the converter; D9, d9 and PB1 are the same."""
    assert len(pins.BY_PORT) == len(pins.TABLE) == 25
    for pin in pins.TABLE:
        assert pins.find(pin.port.lower()) is pin
        assert not pin.sketch or pins.find(pin.sketch.lower()) is pin
    assert pins.find("D14") is pins.find("") is pins.find("PB8") is None


@pytest.mark.parametrize(
    ("written", "shown", "code"),
    [("D9", "D9 (PB1)", 0x11), ("A0", "A0 (PC0)", 0x20), ("pd2", "D2 (PD2)", 0x32), ("A7", "A7 (ADC7)", 0x47), ("PB6", "PB6", 0x16)],
)
def test_names(written: str, shown: str, code: int) -> None:
    """Written either way, shown both ways, one code on the wire."""
    found = pins.find(written)

    assert found is not None
    assert pins.shown(found.port) == shown
    assert found.code == pins.code(found.port) == code
    assert pins.by_code(code) is found


def test_functions_are_those_of_the_wire() -> None:
    """All functions of the catalogue but MISO, whose pin the chip fixes."""
    assert [f.name.lower() for f in Function if f is not Function.RADIO_MISO] == list(pins.FUNCTIONS)
    assert pins.by_code(NO_PIN) is None
    assert all(pins.by_code(code) for code in MUDLARK_PINS.values())


@pytest.mark.parametrize(
    ("function", "port", "why"),
    [
        ("led", "PB5", "D13 (PB5) is SCK: the transceiver's bus runs there, and every transfer would flash the LED"),
        ("switch1", "PB4", "D12 (PB4) is MISO"),
        ("led", "PD0", "D0 (PD0) is taken by the serial line to the host"),
        ("led", "PB6", "PB6 is taken by the crystal or resonator"),
        ("led", "PC6", "PC6 is taken by the reset line"),
        ("joy_x", "PD4", "D4 (PD4) is no input of the converter"),
        ("led", "ADC6", "A6 (ADC6) is an input of the converter only"),
        ("led", "PC4", "A4 (PC4) is SDA: the inertial sensor's bus runs there"),
        ("capture", "PD4", "expected D8 (PB0)"),
        ("stick_out", "PD5", "expected D6 (PD6)"),
        ("switch2", "PB2", "D10 (PB2) is SS: pulled low as an input"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(function: str, port: str, why: str) -> None:
    """One clause that names pin and reason; without transceiver and sensor their pins are free."""
    assert pins.refusal(function, port, radio=True, sensor=True).startswith(why)


def test_a_bus_that_is_not_there_takes_no_pin() -> None:
    """SCK carries an LED where there is no transceiver, A4 where there is no sensor; SS is any output."""
    assert pins.refusal("led", "PB5", radio=False, sensor=False) == ""
    assert pins.refusal("led", "PC4", radio=True, sensor=False) == ""
    assert pins.refusal("radio_csn", "PB2", radio=True, sensor=True) == ""
    assert "PB5" in pins.free((), radio=False, sensor=True)
    assert not {"PB5", "PC4", "PD0", "PC6"} & set(pins.free(("PD4",), radio=True, sensor=True))


def test_two_functions_on_one_pin_are_told_once() -> None:
    """The second is refused, with what is there already; "none" clashes with nothing."""
    found = list(pins.clashes({"led": "PD4", "switch1": "PD4", "switch2": "none", "joy_x": "none"}, radio=True, sensor=False))

    assert found == [("switch1", "D4 (PD4) has led on it already; expected another pin")]
