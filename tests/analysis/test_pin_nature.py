"""What a pin is by its answers to the pull-up; expected values from circuits worked out beside each case."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.analysis.pin_nature import DRIVABLE, Look, Nature, nature

#: ohms: the chip's pull-up, middle of 20 to 50 kΩ (ATmega328P data sheet, DC characteristics)
PULL = 35e3


def read(share: float) -> Look:
    """What the chip reads at this share of the supply; its threshold is about half (typical curves; from memory)."""
    return Look(int(share >= 0.5), share)


def under_pull_up(volts_share: float, ohms: float) -> float:
    """Share at the pin with a source of that share behind `ohms`, and the pull-up to the supply (Ohm's law)."""
    return (volts_share / ohms + 1.0 / PULL) / (1.0 / ohms + 1.0 / PULL)


@pytest.mark.parametrize(
    ("plain", "pulled", "expected"),
    [
        pytest.param(0.0, 1.0, Nature.FLOATS, id="nothing there"),
        pytest.param(1.0, 1.0, Nature.HIGH, id="10 kΩ to the supply, or an output"),
        pytest.param(0.0, 0.0, Nature.LOW, id="an output that is low"),
        pytest.param(0.0, under_pull_up(0.0, 10e3), Nature.WEAK_LOW, id="10 kΩ to ground: 0.22"),
        pytest.param(0.0, 0.37, Nature.GLOWS, id="LED to ground, 1.85 V at 90 µA of 5 V"),
        pytest.param(0.6, 1.0, Nature.TOWARDS_SUPPLY, id="LED to the supply: 5 V less 2 V"),
        pytest.param(0.5, under_pull_up(0.5, 2.5e3), Nature.BETWEEN, id="10 kΩ potentiometer in its middle: 0.53"),
        pytest.param(0.66, under_pull_up(0.66, 1.0), Nature.BETWEEN, id="3.3 V on a board of 5 V"),
        pytest.param(0.2, under_pull_up(0.2, 1.6e3), Nature.BETWEEN, id="potentiometer a fifth of its way"),
    ],
)
def test_usual_circuits(plain: float, pulled: float, expected: Nature) -> None:
    """Each usual circuit at a pin of the converter is told as what it is."""
    assert nature([read(plain)] * 3, [read(pulled)] * 3) is expected


@pytest.mark.parametrize(
    ("plain", "pulled", "expected"), [(0, 1, Nature.FLOATS), (1, 1, Nature.HIGH), (0, 0, Nature.LOW)]
)
def test_without_converter(plain: int, pulled: int, expected: Nature) -> None:
    """Where the converter does not reach, levels alone decide, and the strong is not told from the weak."""
    assert nature([Look(plain)] * 3, [Look(pulled)] * 3) is expected


def test_charge_that_leaks_away_is_no_hold() -> None:
    """A pin that keeps the pull-up's level for some ms and then loses it floats."""
    assert nature([Look(1), Look(1), Look(0)], [Look(1)] * 3) is Nature.FLOATS


def test_input_of_the_converter_alone() -> None:
    """ADC6 and ADC7 have no pull-up: a steady voltage is between, hum is floating."""
    steady, hum = [Look(0, 0.5), Look(0, 0.501)], [Look(0, 0.1), Look(0, 0.3)]

    assert nature(steady, steady, digital=False) is Nature.BETWEEN
    assert nature(hum, hum, digital=False) is Nature.FLOATS


@given(st.integers(0, 1), st.one_of(st.none(), st.floats(0, 1)))
def test_what_is_held_is_never_driven(level: int, share: float | None) -> None:
    """A pin whose level and voltage the pull-up does not change may be an output: it is never one to be driven."""
    held = [Look(level, share)] * 3
    if share is not None and (share >= 0.5) != bool(level):
        return

    assert nature(held, held) not in DRIVABLE or (share is not None and 0.03 <= share < 0.28)
