"""Unit names used in readings, and how a value with its unit is written."""

from __future__ import annotations

import math

#: every unit a reading may carry; "" is a bare count or ratio
UNITS = frozenset(
    (
        *("", "%", "V", "mV", "A", "mA", "ohm", "uF", "s", "ms", "us", "ppm", "dB", "dBm", "MHz", "Hz"),
        *("1/s", "packets", "bytes", "counts", "deg", "deg/s", "g", "mg", "degC", "us/count", "mV/us", "ppm/s"),
    )
)

#: units written another way on screen and paper
_SHOWN = {"us": "µs", "uF": "µF", "ohm": "Ω", "degC": "°C", "deg": "°", "deg/s": "°/s", "us/count": "µs/count"}


#: nothing that is measured here gets so large
HUGE = 1e12


def shown(unit: str) -> str:
    """The unit as people read it: `us` is "µs"."""
    return _SHOWN.get(unit, unit)


def number(value: float, digits: int = 4) -> str:
    """A number with `digits` significant digits: 12.30, 0.0042, 65536; in exponent form only where it is absurd."""
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


def quantity(value: float, unit: str, digits: int = 4) -> str:
    """A value with its unit: "12.3 ms", "0.5 %", "42"."""
    return f"{number(value, digits)} {shown(unit)}".rstrip()
