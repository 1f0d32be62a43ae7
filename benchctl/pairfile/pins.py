"""The pins of the ATmega328P: names, what the chip can do on each, and which function may be where.

Source: ATmega48A/PA/88A/PA/168A/PA/328/P data sheet, section 1 (pin configurations) and section 14.3 (alternate port
functions); of the 328PB, its own data sheet, the same sections: it differs on none of these pins. The sketch names
D0 to D13 and A0 to A7 are those that the usual IDE has for boards with this chip.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from enum import Flag, auto

from benchctl.wire.catalogue import Function

#: an input that is pulled low there ends every transfer on SPI (ATmega328P data sheet, section 19.3.2)
SS = "PB2"
#: written in place of a pin: the function is known not to be wired
NONE = "none"


class Can(Flag):
    """What a pin can do besides, and what it is taken by."""

    DIGITAL = auto()  # input, output, pin-change interrupt
    ANALOGUE = auto()  # input of the converter
    PULSE = auto()  # output of a timer's compare unit
    CAPTURE = auto()  # input of timer 1's capture unit
    SPI = auto()
    TWI = auto()
    UART = auto()
    CRYSTAL = auto()
    RESET = auto()


@dataclass(frozen=True, slots=True)
class Pin:
    """port: "PB1". sketch: "D9". takes: what else the data sheet has there, in its words."""

    port: str
    sketch: str
    can: Can
    takes: str = ""

    @property
    def code(self) -> int:
        """As the wire has it: port << 4 | bit with B=1, C=2, D=3; ADC6 and ADC7 are 0x46 and 0x47."""
        if self.port.startswith("ADC"):
            return 0x40 | int(self.port[3:])
        return (" BCD".index(self.port[1]) << 4) | int(self.port[2])


_D, _A, _P = Can.DIGITAL, Can.DIGITAL | Can.ANALOGUE, Can.DIGITAL | Can.PULSE
# fmt: off
TABLE = (
    Pin("PD0", "D0", _D | Can.UART, "RXD, the serial line"),
    Pin("PD1", "D1", _D | Can.UART, "TXD, the serial line"),
    Pin("PD2", "D2", _D, "INT0"),
    Pin("PD3", "D3", _P, "INT1, OC2B"),
    Pin("PD4", "D4", _D, "T0"),
    Pin("PD5", "D5", _P, "OC0B, T1"),
    Pin("PD6", "D6", _P, "OC0A, AIN0"),
    Pin("PD7", "D7", _D, "AIN1"),
    Pin("PB0", "D8", _D | Can.CAPTURE, "ICP1"),
    Pin("PB1", "D9", _P, "OC1A"),
    Pin("PB2", "D10", _P, "OC1B, SS"),
    Pin("PB3", "D11", _P | Can.SPI, "MOSI"),
    Pin("PB4", "D12", _D | Can.SPI, "MISO"),
    Pin("PB5", "D13", _D | Can.SPI, "SCK"),
    Pin("PB6", "", _D | Can.CRYSTAL, "the crystal or resonator"),
    Pin("PB7", "", _D | Can.CRYSTAL, "the crystal or resonator"),
    Pin("PC0", "A0", _A), Pin("PC1", "A1", _A), Pin("PC2", "A2", _A), Pin("PC3", "A3", _A),
    Pin("PC4", "A4", _A | Can.TWI, "SDA"), Pin("PC5", "A5", _A | Can.TWI, "SCL"),
    Pin("PC6", "", _D | Can.RESET, "reset"),
    Pin("ADC6", "A6", Can.ANALOGUE), Pin("ADC7", "A7", Can.ANALOGUE),
)
# fmt: on
BY_PORT: Mapping[str, Pin] = {p.port: p for p in TABLE}
PINS = tuple(BY_PORT)
_BY_SKETCH: Mapping[str, Pin] = {p.sketch: p for p in TABLE if p.sketch}
_BY_CODE: Mapping[int, Pin] = {p.code: p for p in TABLE}
NAMES = (*_BY_SKETCH, *BY_PORT)


def find(text: str) -> Pin | None:
    """The pin written as `D9`, `A0` or `PB1`, in either case; None where there is no such pin."""
    name = text.strip().upper()
    return _BY_SKETCH.get(name) or BY_PORT.get(name)


def shown(port: str) -> str:
    """Both names, as people read them: "D9 (PB1)"; "PB6" where sketches have no name for it."""
    pin = BY_PORT.get(port)
    return f"{pin.sketch} ({port})" if pin is not None and pin.sketch else port


def code(port: str) -> int:
    """The wire's code of a pin by its port name."""
    return BY_PORT[port].code


def by_code(number: int) -> Pin | None:
    """The pin of a code of the wire; None for "no pin" and for codes that are none."""
    return _BY_CODE.get(number)


# ---------------------------------------------------------------------- which function may be where

PULSES = tuple(f"pulse{n}" for n in range(1, 7))
SWITCHES = ("switch1", "switch2")
#: functions with a pin of the owner's choice: all but MISO, whose pin is the chip's
FUNCTIONS = tuple(function.name.lower() for function in Function if function is not Function.RADIO_MISO)
ANALOGUE = ("joy_x", "joy_y", "sense_rail", "sense_vcc1", "sense_vcc2")
_OUTPUTS = ("led", *PULSES, "radio_ce", "radio_csn")
#: functions that the firmware can serve on one pin only
_FIXED: Mapping[str, tuple[str, str]] = {
    "capture": ("PB0", "timer 1 captures on ICP1 only"),
    "stick_out": ("PD6", "timer 0 makes the voltage on OC0A only"),
}
#: what a pin is taken by on every board
_ALWAYS: Mapping[Can, str] = {
    Can.UART: "the serial line to the host",
    Can.CRYSTAL: "the crystal or resonator",
    Can.RESET: "the reset line",
}


def refusal(function: str, port: str, *, radio: bool, sensor: bool) -> str:
    """Why a function cannot be on a pin, as the rest of a sentence; "" where it can.

    radio, sensor: the board has a transceiver, an inertial sensor.
    """
    pin = BY_PORT[port]
    for what, taker in _ALWAYS.items():
        if what in pin.can:
            return f"{shown(port)} is taken by {taker} ({pin.takes})"
    if radio and Can.SPI in pin.can:
        return f"{shown(port)} is {pin.takes}: the transceiver's bus runs there, and {_nuisance(function, pin)}"
    if sensor and Can.TWI in pin.can:
        return f"{shown(port)} is {pin.takes}: the inertial sensor's bus runs there"
    if function in _FIXED and port != _FIXED[function][0]:
        where, why = _FIXED[function]
        return f"expected {shown(where)}: {why}"
    if function in ANALOGUE and Can.ANALOGUE not in pin.can:
        return f"{shown(port)} is no input of the converter; expected A0 to A7"
    if function not in ANALOGUE and Can.DIGITAL not in pin.can:
        return f"{shown(port)} is an input of the converter only; expected a pin with a port (D2 to D13, A0 to A5)"
    if radio and port == SS and function not in _OUTPUTS:
        return f"{shown(port)} is SS: pulled low as an input it ends every transfer to the transceiver"
    return ""


def _nuisance(function: str, pin: Pin) -> str:
    if function == "led" and pin.port == "PB5":
        return "every transfer would flash the LED, which loads the clock"
    return f"nothing else can use it while the board has a transceiver ({function} would disturb it)"


def clashes(taken: Mapping[str, str], *, radio: bool, sensor: bool) -> Iterator[tuple[str, str]]:
    """(function, rest of a sentence) for every pin that cannot be what it is said to be. taken: function to pin."""
    users: dict[str, str] = {}
    for function, port in taken.items():
        if port == NONE:
            continue
        why = refusal(function, port, radio=radio, sensor=sensor)
        if why:
            yield function, why
        elif port in users:
            yield function, f"{shown(port)} has {users[port]} on it already; expected another pin"
        users.setdefault(port, function)


def free(taken: Collection[str], *, radio: bool, sensor: bool) -> list[str]:
    """Pins that nothing is on: by port name, in the table's order. taken: port names in use."""
    blocked = Can.UART | Can.CRYSTAL | Can.RESET
    blocked |= Can.SPI if radio else Can(0)
    blocked |= Can.TWI if sensor else Can(0)
    return [p.port for p in TABLE if not p.can & blocked and p.port not in taken]
