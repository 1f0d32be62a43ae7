"""Nets of resistors, outputs and diodes against Ohm's law worked by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.parts.net import Bridge, Way, amps, solve


def test_divider_and_led() -> None:
    """10 kΩ to 5 V and 10 kΩ to ground meet at 2.5 V; 5 V through 25 Ω and 330 Ω into 2 V of LED are 8.45 mA."""
    assert solve([[Way(5.0, 10e3, "up"), Way(0.0, 10e3, "down")]])[0] == pytest.approx(2.5, abs=0.01)
    led = Way(2.0, 330.0, "LED", 1)
    volts = solve([[Way(5.0, 25.0, "output"), led]])[0]
    assert amps(led, volts) == pytest.approx(3.0 / 355.0, rel=1e-3)
    # driven low it is dark
    assert amps(led, solve([[Way(0.0, 25.0, "output"), led]])[0]) == 0.0


def test_outputs_against_each_other_through_a_jumper() -> None:
    """5 V and ground with 4.7 kΩ between: 5 V / (4.7 kΩ + 2 · 25 Ω) = 1.05 mA; without it 100 mA."""
    high, low = Way(5.0, 25.0, "output"), Way(0.0, 25.0, "output")
    one, other = solve([[high], [low]], [Bridge(0, 1, 4700.0)])
    assert amps(low, other) == pytest.approx(5.0 / 4750.0, rel=1e-3) == pytest.approx(-amps(high, one), rel=1e-3)
    assert amps(low, solve([[high, low]])[0]) == pytest.approx(0.1, rel=1e-3)


def test_clamp_takes_what_feeds_an_unpowered_chip() -> None:
    """5 V through 4.7 kΩ into a diode that conducts above 0.5 V: 4.5 V / (25 Ω + 4.7 kΩ + 20 Ω)."""
    clamp = Way(0.5, 20.0, "clamp", 1)
    volts = solve([[Way(5.0, 25.0, "output")], [clamp]], [Bridge(0, 1, 4700.0)])
    assert amps(clamp, volts[1]) == pytest.approx(4.5 / 4745.0, rel=1e-3)


@given(
    st.lists(st.tuples(st.floats(0, 5), st.floats(1, 1e5)), min_size=1, max_size=5),
    st.lists(st.tuples(st.floats(0, 5), st.floats(1, 1e5)), min_size=1, max_size=5),
    st.floats(1, 1e5),
)
def test_currents_of_a_node_add_up_to_nothing(one: list, other: list, ohms: float) -> None:
    """Kirchhoff's law at both ends of a resistor, but for the leakage of 0.5 µA."""
    nodes = [[Way(v, r, "x") for v, r in ways] for ways in (one, other)]
    volts = solve(nodes, [Bridge(0, 1, ohms)])
    through = (volts[0] - volts[1]) / ohms
    for ways, v, leaves in zip(nodes, volts, (through, -through), strict=True):
        assert sum(amps(w, v) for w in ways) + leaves == pytest.approx(0.0, abs=1e-6)
