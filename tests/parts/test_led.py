"""The LED: lights by its wiring, draws by Ohm's law, its blinks can be counted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchctl.benchfile import LedSpec, RailSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.led import PIN_OHMS, Led
from benchctl.parts.rail import Rail

GOOD = LedSpec()


@pytest.mark.parametrize(
    ("spec", "high", "low"),
    [
        (GOOD, 1.0, 0.0),
        (replace(GOOD, active_low=True), 0.0, 1.0),
        (replace(GOOD, reversed=True), 0.0, 0.0),
        (replace(GOOD, open=True), 0.0, 0.0),
        (replace(GOOD, fitted=False), 0.0, 0.0),
        (replace(GOOD, series_ohms=100_000.0), 0.0, 0.0),
    ],
)
def test_lights_when_driven_and_the_right_way_round(spec: LedSpec, high: float, low: float) -> None:
    """A reversed, open or absent LED, or one with a wrong resistor, stays dark."""
    led = Led("led", spec, None)
    led.drive(1.0, 0.1)
    at_high = led.lit.level
    led.drive(0.0, 0.2)

    assert (at_high, led.lit.level) == (high, low)


def test_current_by_ohms_law() -> None:
    """(5 V - 2 V) through its resistor and the pin."""
    rail = Rail("main", RailSpec(series_ohms=0.0), Agenda())
    led = Led("led", LedSpec(series_ohms=470.0, extra_ma=10.0), rail)
    led.drive(1.0, 0.1)

    assert rail.load == pytest.approx(3.0 / (470.0 + PIN_OHMS) + 0.010, rel=0.01)


def test_blinks_are_counted_from_a_moment_on() -> None:
    """Only lights that came on since the prompt count."""
    led = Led("led", GOOD, None)
    for n in range(5):
        led.drive(1.0, n)
        led.drive(0.0, n + 0.5)

    assert led.blinks_since(2.0) == 3
