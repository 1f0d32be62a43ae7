"""Supply and clock rules of the ATmega328P and its neighbours: speed against voltage, brown-out, UART error,
the order in which things give up.

Two data sheets differ: Atmel ATmega328/P 42735B (11/2016), "general" here, and the automotive ATmega328P
7810D (01/2015). A limit fails where the general one does and warns where the automotive one does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from benchctl.errors import UsageError

#: maximum frequency in MHz at VCC in volts, straight lines between: 42735B section 32.3; 7810D figure 28-1
SPEED_GENERAL = ((1.8, 4.0), (2.7, 10.0), (4.5, 20.0))
SPEED_AUTOMOTIVE = ((2.7, 8.0), (4.5, 16.0))
#: band-gap voltage, least, typical, most: 42735B table 32-7
BANDGAP = (1.0, 1.1, 1.2)
#: largest baud error that the receiver should see from both sides together, 8 data bits: 42735B tables 24-2, 24-3
UART_RECOMMENDED = {False: 0.02, True: 0.015}
UART_TOTAL = {False: 0.0454, True: 0.039}


@dataclass(frozen=True, slots=True)
class BrownOut:
    """A brown-out level: the fuse bits, and least, typical and most volts at which a chip resets, the wider
    of both data sheets (42735B table 32-8, 7810D table 28-5), and the hysteresis on the way up."""

    fuse: str
    least: float
    typical: float
    most: float
    hysteresis: float = 0.08


BROWN_OUT = (
    BrownOut("110", 1.7, 1.8, 2.0),
    BrownOut("101", 2.5, 2.7, 2.9),
    BrownOut("100", 4.0, 4.3, 4.6),
)


def brown_out(fuse: str) -> BrownOut | None:
    """The level of fuse bits "110", "101" or "100"; None for "111", detector off. Raises UsageError for
    others."""
    if fuse == "111":
        return None
    for level in BROWN_OUT:
        if level.fuse == fuse:
            return level
    raise UsageError(f"brown-out fuse bits {fuse!r} are none of 110, 101, 100, 111")


def least_vcc(mhz: float, *, automotive: bool = False) -> float:
    """Least VCC for a clock of `mhz`; infinite above the highest clock."""
    corners = SPEED_AUTOMOTIVE if automotive else SPEED_GENERAL
    if mhz <= corners[0][1]:
        return corners[0][0]
    for (v0, f0), (v1, f1) in pairwise(corners):
        if mhz <= f1:
            return v0 + (mhz - f0) * (v1 - v0) / (f1 - f0)
    return math.inf


@dataclass(frozen=True, slots=True)
class Margins:
    """How far the lowest VCC is above what it must not go below, volts; negative: it went below.

    brown_out: to the highest voltage at which the detector may reset, NaN when it is off. speed: to the
    general speed line; careful: to the automotive one. guarded: the detector resets before the general speed
    line is crossed, whatever the sample.
    """

    brown_out: float
    speed: float
    careful: float
    guarded: bool


def margins(lowest_vcc: float, mhz: float, fuse: str) -> Margins:
    """Margins of a rail whose lowest voltage is known. Raises UsageError for unknown fuse bits."""
    level = brown_out(fuse)
    speed = least_vcc(mhz)
    return Margins(
        brown_out=lowest_vcc - level.most if level else math.nan,
        speed=lowest_vcc - speed,
        careful=lowest_vcc - least_vcc(mhz, automotive=True),
        guarded=level is not None and level.least >= speed,
    )


def vcc_from_bandgap(reading: float, bandgap: float = BANDGAP[1]) -> float:
    """VCC from the converter's reading of the band-gap against VCC, 0 to 1023: bandgap * 1024 / reading.

    Infinite for a reading of 0. bandgap: the board's own value once calibrated.
    """
    return bandgap * 1024.0 / reading if reading > 0 else math.inf


def bandgap_from_meter(reading: float, vcc: float) -> float:
    """The board's own band-gap voltage from a meter's VCC and the converter's reading taken together."""
    return vcc * reading / 1024.0


@dataclass(frozen=True, slots=True)
class Baud:
    """A UART setting: register value, speed doubled or not, true rate, relative error of the wanted rate."""

    ubrr: int
    doubled: bool
    actual: float
    error: float

    @property
    def recommended(self) -> bool:
        """Within what the data sheet recommends for this setting."""
        return abs(self.error) <= UART_RECOMMENDED[self.doubled]

    @property
    def usable(self) -> bool:
        """Within the receiver's total tolerance against an exact partner."""
        return abs(self.error) <= UART_TOTAL[self.doubled]


def baud(wanted: int, clock_hz: float = 16e6, *, doubled: bool = False) -> Baud:
    """The nearest setting: rate = clock / (16 or 8) / (UBRR + 1), UBRR from 0 to 4095 (42735B table 24-1)."""
    divider = 8 if doubled else 16
    ubrr = min(4095, max(0, math.floor(clock_hz / (divider * wanted) - 0.5)))
    actual = clock_hz / (divider * (ubrr + 1))
    return Baud(ubrr, doubled, actual, actual / wanted - 1)


@dataclass(frozen=True, slots=True)
class GivesUp:
    """A voltage at which something stops being sure to work, and what, on its own rail."""

    volts: float
    what: str
    part: str


#: 42735B and 7810D for the processor; nRF24L01+ Product Specification tables 2 and 12; MPU-6050 section 6.3
GIVING_UP = (
    GivesUp(4.5, "16 MHz is above the automotive speed line", "processor"),
    GivesUp(4.3, "brown-out level 4.3 V resets (4.0 to 4.6 V)", "processor"),
    GivesUp(3.78, "16 MHz is above the general speed line", "processor"),
    GivesUp(2.7, "brown-out level 2.7 V resets (2.5 to 2.9 V)", "processor"),
    GivesUp(2.7, "inputs above 3.6 V are no longer allowed", "transceiver"),
    GivesUp(2.375, "below its supply range", "sensor"),
    GivesUp(1.9, "below its supply range, loses its settings", "transceiver"),
    GivesUp(1.0, "power-on reset arms again (0.6 to 1.7 V)", "processor"),
)


def given_up(volts: float, part: str) -> tuple[GivesUp, ...]:
    """What a part on a rail at `volts` is no longer sure to do, first to give up first."""
    return tuple(one for one in GIVING_UP if one.part == part and volts < one.volts)
