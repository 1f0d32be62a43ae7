"""Unit names used in readings, and how a value with its unit is written."""

from __future__ import annotations

import math
import re

#: every unit a reading may carry; "" is a bare count or ratio
UNITS = frozenset(
    (
        *("", "%", "V", "mV", "A", "mA", "ohm", "uF", "s", "ms", "us", "ppm", "dB", "dBm", "MHz", "Hz"),
        *("1/s", "packets", "bytes", "counts", "deg", "deg/s", "g", "mg", "degC", "us/count", "mV/us", "ppm/s"),
    )
)

#: units written another way on screen and paper
_SHOWN = {"us": "µs", "uF": "µF", "ohm": "Ω", "degC": "°C", "deg": "°", "deg/s": "°/s", "us/count": "µs/count"}

#: of a unit: below a value the next smaller one is read more easily, from a value on the next larger one. Pulse widths
#: are told in µs and supply voltages in V by everybody, so a step up comes late and one down at a tenth
_SMALLER = {
    "V": (0.1, "mV", 1e3),
    "A": (0.1, "mA", 1e3),
    "s": (0.1, "ms", 1e3),
    "ms": (0.1, "us", 1e3),
    "g": (0.1, "mg", 1e3),
    "uF": (1.0, "nF", 1e3),
}
_LARGER = {
    "mV": (1e3, "V", 1e-3),
    "mA": (1e3, "A", 1e-3),
    "ms": (1e4, "s", 1e-3),
    "us": (1e4, "ms", 1e-3),
    "ohm": (1e3, "kΩ", 1e-3),
    "kΩ": (1e3, "MΩ", 1e-3),
    "mg": (1e3, "g", 1e-3),
    "Hz": (1e4, "kHz", 1e-3),
}
#: what rounding may add to a number just below a step
_NEARLY = 1 - 1e-9

#: the boards' clock and all time stamps on the wire count so many µs
TICK_US = 0.5
#: nothing that is measured here gets so large
HUGE = 1e12


def shown(unit: str) -> str:
    """The unit as people read it: `us` is "µs"."""
    return _SHOWN.get(unit, unit)


def number(value: float, digits: int = 4) -> str:
    """A number with `digits` significant digits, all digits before the point, no zeros at its end: 12.3, 65536."""
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    if value == 0:
        return "0"
    if abs(value) >= HUGE:
        return f"{value:.{digits - 1}e}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 9)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def scaled(value: float, unit: str) -> tuple[float, str]:
    """By what to multiply, and the unit in which such a value is read most easily: 0.0003 V in mV, 20 000 us in ms."""
    factor, size = 1.0, abs(value)
    if not 0 < size < HUGE:
        return factor, unit
    while unit in _SMALLER and size * factor < _SMALLER[unit][0] * _NEARLY:
        _, unit, step = _SMALLER[unit]
        factor *= step
    while unit in _LARGER and size * factor >= _LARGER[unit][0] * _NEARLY:
        _, unit, step = _LARGER[unit]
        factor *= step
    return factor, unit


def rounded(value: float, half: float, digits: int = 4) -> str:
    """A number to the place that its uncertainty leaves known, its zeros kept: two digits of an uncertainty that
    begins with 100 to 354, one of 355 to 949 (Review of Particle Physics, Introduction, 5.3).

    half: half of its interval, in its unit; 0 or no number: `digits` significant digits, no zeros at its end.
    """
    if not 0 < half < math.inf or not math.isfinite(value) or abs(value) >= HUGE:
        return number(value, digits)
    power = math.floor(math.log10(half))
    places = 1 - power if half < 3.55 * 10**power else -power
    if places <= 0:
        return number(round(value, places), 12)
    text = f"{value:.{min(places, 9)}f}"
    return text.lstrip("-") if not text.strip("-0.") else text


def quantity(value: float, unit: str, digits: int = 4, half: float = 0.0) -> str:
    """A value with its unit, scaled and rounded: "12.3 ms", "0.5 %", "42", "10.0 kΩ". half: as in `rounded`."""
    factor, unit = scaled(value, unit)
    return f"{rounded(value * factor, half * factor, digits)} {shown(unit)}".rstrip()


def span(low: float, high: float, unit: str) -> str:
    """Two values in one unit, which the larger one chooses: "4.5 V to 5.5 V"."""
    factor, unit = scaled(max(abs(low), abs(high)), unit)
    return " to ".join(f"{number(end * factor)} {shown(unit)}".rstrip() for end in (low, high))


def with_interval(value: float, unit: str, low: float, high: float) -> tuple[str, str]:
    """A measured value with its unit, and its interval in the same one: "0.40 %" and "0.10 … 0.90"."""
    half = (high - low) / 2
    factor, _ = scaled(value, unit)
    ends = (rounded(end * factor, half * factor) for end in (low, high))
    return quantity(value, unit, half=half), " … ".join(ends)


#: between a number and its unit no line ends
_GAP = re.compile(
    r"(?<=[\d∞]) (?=(?:"
    + "|".join(
        re.escape(u)
        for u in sorted({*map(shown, UNITS - {""}), "nF", "kΩ", "MΩ", "mΩ", "kHz", "min", "h"}, key=len, reverse=True)
    )
    + r")(?:\W|$))"
)


def unbroken(text: str) -> str:
    """The text with a no-break space between every number and its unit, for whoever breaks it into lines."""
    return _GAP.sub("\u00a0", text)
