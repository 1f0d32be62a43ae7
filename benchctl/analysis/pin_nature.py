"""What a pin is by the way it answers the chip's own pull-up: nothing here drives, and nothing guesses.

A look is the pin's level and, where the converter has it, its voltage as a share of the supply, once as a plain input
and once with the chip's pull-up of 20 to 50 kΩ (ATmega328P data sheet, DC characteristics, RPU). There is no
pull-down in this chip, so a pin that reads 1 either way may be pulled or driven: it counts as held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

#: of the supply: a stiff zero, and the rest of a resistor to ground of a few kΩ against the pull-up
_ZERO, _RESISTOR = 0.03, 0.28
#: of the supply: as good as the supply itself
_FULL = 0.97
#: by so much of the supply the pull-up may lift what is stiff: 5 kΩ of a potentiometer's middle against 20 kΩ
_STIFF = 0.12


class Nature(StrEnum):
    """How a pin answers."""

    FLOATS = "floats"  # follows the pull-up, and without it nothing holds it, or next to nothing
    WEAK_LOW = "weak low"  # a resistor to ground that the pull-up shows
    GLOWS = "glows"  # a diode's voltage under the pull-up: most likely an LED to ground
    TOWARDS_SUPPLY = "towards supply"  # high through a diode or a large resistor: most likely an LED to the supply
    BETWEEN = "between"  # a voltage that the pull-up hardly lifts: potentiometer, divider, another rail
    LOW = "low"  # low in spite of the pull-up; the converter does not say how strongly
    HIGH = "high"  # high without the pull-up


#: what the search may drive for some microseconds to milliseconds
DRIVABLE = (Nature.FLOATS, Nature.WEAK_LOW)


@dataclass(frozen=True, slots=True)
class Look:
    """level: 0 or 1. share: of the supply, None where the converter does not reach the pin."""

    level: int
    share: float | None = None


def nature(plain: Sequence[Look], pulled: Sequence[Look], *, digital: bool = True) -> Nature:
    """The nature of a pin from some looks without and with pull-up.

    digital: false for inputs of the converter that have no port, and so no pull-up (ADC6, ADC7).
    Raises ValueError without looks, or when a pin without port has no voltages.
    """
    if not plain or not pulled:
        raise ValueError("a pin's nature wants looks without and with pull-up")
    free, lifted = _mean(plain), _mean(pulled)
    if not digital:
        if free is None:
            raise ValueError("an input of the converter alone is known by its voltages")
        return _by_voltage_alone(plain, free)
    if any(look.level == 0 for look in pulled):
        return _low(free, lifted)
    if any(look.level == 0 for look in plain):
        return Nature.BETWEEN if _stiff(free, lifted) else Nature.FLOATS
    if free is None or lifted is None or free >= _FULL:
        return Nature.HIGH
    if _unsteady(plain):
        return Nature.FLOATS
    return Nature.BETWEEN if _stiff(free, lifted) else Nature.TOWARDS_SUPPLY


def _low(free: float | None, lifted: float | None) -> Nature:
    """The pull-up does not lift it to a 1."""
    if free is None or lifted is None or lifted < _ZERO:
        return Nature.LOW
    if _stiff(free, lifted) and free >= _ZERO:
        return Nature.BETWEEN
    return Nature.WEAK_LOW if lifted < _RESISTOR else Nature.GLOWS


def _by_voltage_alone(plain: Sequence[Look], free: float) -> Nature:
    if _unsteady(plain):
        return Nature.FLOATS
    return Nature.LOW if free < _ZERO else Nature.HIGH if free >= _FULL else Nature.BETWEEN


def _stiff(free: float | None, lifted: float | None) -> bool:
    return free is not None and lifted is not None and _ZERO <= free < _FULL and lifted - free < _STIFF


def _unsteady(looks: Sequence[Look]) -> bool:
    """Nobody holds it: it follows the hum of the room from look to look; no source."""
    shares = [look.share for look in looks if look.share is not None]
    return len(shares) > 1 and max(shares) - min(shares) > 0.05


def _mean(looks: Sequence[Look]) -> float | None:
    shares = [look.share for look in looks if look.share is not None]
    return sum(shares) / len(shares) if shares else None
