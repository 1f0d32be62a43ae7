"""What hangs on a processor's pins, electrically: each thing says its ways to fixed voltages in its present state.

Sources: ATmega328P data sheet (A: DC characteristics and typical curves), nRF24L01+ product specification (N), and
"no source" where only common practice stands behind a number.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping
from enum import IntEnum
from typing import Protocol

from benchctl.benchfile import RailSpec
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.parts.net import Way, amps

#: a driven pin: 0.9 V at 20 mA at most, typically half of it (A, VOL and VOH at 5 V)
PIN_OHMS = 25.0
#: the chip's own pull-ups: 20 to 50 kΩ (A, RPU)
PULL_UP_OHMS = 35e3
#: absolute maximum of a pin is 40 mA (A); 20 mA is the test condition to which its levels are guaranteed
PIN_MOST_A = 20e-3
#: a pin's clamp diodes conduct 0.5 V beyond the supply (A, absolute maximum ratings); their resistance has no source
CLAMP_V, CLAMP_OHMS = 0.5, 20.0
#: what a clamp may carry unnoticed: leakage through a pull-up of the chip, no more; no source
CLAMP_MOST_A = 0.1e-3
#: the same of a chip without supply: half of the 1 mA that its maker's application notes allow a clamp (from memory),
#: so that the 10 kΩ of a filter or divider pass and the 4.7 kΩ of a jumper do not
UNPOWERED_MOST_A = 0.5e-3
#: an output of the transceiver: 0.3 V at 0.25 mA is all that is guaranteed (N, table 12); typically 50 Ω, no source
RADIO_OHMS = 50.0
#: its inputs take 5.25 V, but above 3.6 V only with a supply of 2.7 V and more (N, tables 2 and 4)
RADIO_INPUT_V, RADIO_PLAIN_V, RADIO_LEAST_V, RADIO_MOST_V = 5.25, 3.6, 2.7, 3.6
#: its outputs stay within the supply (N, table 2)
RADIO_OUTPUT_ABOVE_V = 0.3
CONTACT_OHMS = 0.1
POT_OHMS = 10e3
WIRE_OHMS = 1.0
#: usual pull-ups of reset and of a sensor module's bus, usual resistor behind a USB-serial chip; no source
RESET_OHMS, BUS_OHMS, SERIAL_OHMS = 10e3, 4.7e3, 1e3
#: signal input of a motor controller; no source
CONTROLLER_OHMS = 47e3


class PinState(IntEnum):
    """What the processor does with a pin; numbered as in the simulated chip."""

    LOW = 0
    HIGH = 1
    INPUT = 2
    PULLED_UP = 3


#: kind, value, unit
Wrong = tuple[HarmKind, float, str]
Volts = Callable[[], float]


class Thing(Protocol):
    """Something at a pin. key: its state; the same key, the same ways."""

    #: whether it could hurt a pin that is driven, or be hurt by it
    strong: bool

    @property
    def key(self) -> Hashable:
        """What its ways depend on; they are worked out anew only when it changes."""

    def ways(self) -> tuple[Way, ...]:
        """Its ways for current into or out of the node, at this moment."""

    def wrong(self, volts: float) -> Iterator[Wrong]:
        """What is wrong with this thing when its pin is at `volts`."""


def nominal_volts(rails: Mapping[str, RailSpec], name: str) -> float:
    """A rail's voltage without load, everything plugged in."""
    rail = rails[name]
    above = nominal_volts(rails, rail.fed_from) if rail.fed_from else rail.source_volts
    return max(0.0, min(rail.regulator_volts, above - rail.regulator_dropout_v)) if rail.regulator_volts else above


class ChipPin:
    """The processor's end, with its clamp diodes. supply: volts at the chip at present, nominal or 0."""

    strong = False

    def __init__(self, supply: Volts) -> None:
        self.state = PinState.INPUT
        self._supply = supply

    @property
    def key(self) -> Hashable:
        return self.state, self.supplied

    @property
    def supplied(self) -> float:
        """Volts at the chip."""
        return self._supply()

    @property
    def drives(self) -> bool:
        """Whether the pin is an output."""
        return self.state <= PinState.HIGH

    def ways(self) -> tuple[Way, ...]:
        supply = self._supply()
        clamps = (Way(supply + CLAMP_V, CLAMP_OHMS, "clamp", 1), Way(-CLAMP_V, CLAMP_OHMS, "clamp", -1))
        if self.state is PinState.PULLED_UP:
            return Way(supply, PULL_UP_OHMS, "pull"), *clamps
        if self.drives:
            return Way(supply if self.state is PinState.HIGH else 0.0, PIN_OHMS, "output"), *clamps
        return clamps

    def wrong(self, volts: float) -> Iterator[Wrong]:
        most = CLAMP_MOST_A if self.supplied else UNPOWERED_MOST_A
        for way in self.ways():
            current = abs(amps(way, volts))
            if way.who == "output" and current > PIN_MOST_A:
                yield HarmKind.PIN_CURRENT, 1e3 * current, "mA"
            elif way.who == "clamp" and current > most:
                yield HarmKind.FED, 1e3 * current, "mA"


class Fixed:
    """Resistors and diodes that no state changes but the supply."""

    def __init__(self, make: Callable[[float], tuple[Way, ...]], supply: Volts, strong: bool) -> None:
        self._make, self._supply, self.strong = make, supply, strong

    @property
    def key(self) -> Hashable:
        return self._supply()

    def ways(self) -> tuple[Way, ...]:
        return self._make(self._supply())

    def wrong(self, volts: float) -> Iterator[Wrong]:
        return iter(())


def resistor(ohms: float, supply: Volts, up: bool, strong: bool = False) -> Fixed:
    """To the supply, or to ground."""
    return Fixed(lambda volts: (Way(volts if up else 0.0, ohms, "resistor"),), supply, strong)


def led(ohms: float, forward_v: float, active_low: bool, supply: Volts) -> Fixed:
    """An LED with its resistor; strong where the resistor is too small for the pin."""

    def ways(volts: float) -> tuple[Way, ...]:
        return (Way(volts - forward_v, ohms, "LED", -1) if active_low else Way(forward_v, ohms, "LED", 1),)

    return Fixed(ways, supply, True)


class Contact:
    """A switch's contact to ground, or to the supply."""

    strong = True

    def __init__(self, closed: Callable[[], bool], to: Volts) -> None:
        self._closed, self._to = closed, to

    @property
    def key(self) -> Hashable:
        return self._closed(), self._to()

    def ways(self) -> tuple[Way, ...]:
        return (Way(self._to(), CONTACT_OHMS, "contact"),) if self._closed() else ()

    def wrong(self, volts: float) -> Iterator[Wrong]:
        return iter(())


class Wiper:
    """A potentiometer's wiper. share: where it stands, 0 to 1."""

    strong = True

    def __init__(self, share: Callable[[], float], supply: Volts) -> None:
        self._share, self._supply = share, supply

    @property
    def key(self) -> Hashable:
        return round(self._share(), 2), self._supply()

    def ways(self) -> tuple[Way, ...]:
        share = min(1.0, max(0.0, round(self._share(), 2)))
        return (Way(share * self._supply(), WIRE_OHMS + POT_OHMS * share * (1.0 - share), "wiper"),)

    def wrong(self, volts: float) -> Iterator[Wrong]:
        return iter(())


class RadioPin:
    """A pin of the transceiver. level: what it drives, None while it does not (inputs never do)."""

    def __init__(self, name: str, ohms: float, supply: Volts, level: Callable[[], int | None] | None) -> None:
        self.strong = level is not None
        self._name, self._ohms, self._supply = name, ohms, supply
        self._level = level

    def _driven(self) -> int | None:
        return self._level() if self._level is not None and self._supply() else None

    @property
    def key(self) -> Hashable:
        return self._driven(), self._supply()

    def ways(self) -> tuple[Way, ...]:
        level, supply = self._driven(), self._supply()
        out = () if level is None else (Way(level * supply, RADIO_OHMS + self._ohms, "output"),)
        if self._level is None:  # inputs that take 5 V have no diode to the supply
            return out
        return *out, Way(supply + RADIO_OUTPUT_ABOVE_V, CLAMP_OHMS + self._ohms, "clamp", 1)

    def wrong(self, volts: float) -> Iterator[Wrong]:
        supply = self._supply()
        if self._level is None:
            if volts > RADIO_INPUT_V or (volts > RADIO_PLAIN_V and supply < RADIO_LEAST_V):
                yield HarmKind.OVER_VOLTAGE, volts, "V"
            return
        for way in self.ways():
            if way.who == "clamp" and amps(way, volts) > CLAMP_MOST_A:
                yield HarmKind.OVER_VOLTAGE, volts, "V"
