"""The joystick: where it is held is what it shows, but for its faults."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from benchctl.benchfile import AxisSpec, JoystickSpec
from benchctl.parts.joystick import Joystick

QUIET = AxisSpec(min_counts=10.0, centre_counts=500.0, max_counts=1010.0, noise_counts=0.0)
GOOD = JoystickSpec(x=QUIET, y=replace(QUIET, centre_counts=520.0))


def counts(stick: Joystick, axis: str, time: float) -> float:
    return 1024.0 * stick.share(axis, time)


def test_ends_and_centre() -> None:
    """Each axis has its own ends and centre."""
    stick = Joystick(GOOD, random.Random(1))
    stick.move(1.0, -1.0, 1.0, 2.0)

    assert counts(stick, "x", 0.5) == pytest.approx(500.0)
    assert counts(stick, "y", 0.5) == pytest.approx(520.0)
    assert counts(stick, "x", 1.5) == pytest.approx(755.0)
    assert counts(stick, "x", 3.0) == pytest.approx(1010.0)
    assert counts(stick, "y", 3.0) == pytest.approx(10.0)


def test_swapped_axes() -> None:
    """Moving x is seen on y."""
    stick = Joystick(replace(GOOD, swapped=True), random.Random(1))
    stick.move(1.0, 0.0, 0.0, 0.1)

    assert counts(stick, "x", 1.0) == pytest.approx(500.0)
    assert counts(stick, "y", 1.0) == pytest.approx(1010.0)


def test_worn_track_skips_its_codes() -> None:
    """No reading falls into a worn stretch, with noise too."""
    worn = replace(QUIET, worn_counts=((300.0, 340.0),), noise_counts=2.0)
    stick = Joystick(replace(GOOD, x=worn), random.Random(1))
    stick.move(-1.0, 0.0, 0.0, 1e-3)
    stick.move(1.0, 0.0, 0.1, 10.1)
    seen = {int(counts(stick, "x", 0.1 + n * 1e-2)) for n in range(1000)}

    assert not seen & set(range(300, 341))
    assert seen & set(range(250, 300))
    assert seen & set(range(341, 390))


def test_noise_has_its_size() -> None:
    """Standard deviation of a resting axis is what the bench file says; 5 % from 4000 draws."""
    stick = Joystick(replace(GOOD, x=replace(QUIET, noise_counts=3.0)), random.Random(1))
    draws = [counts(stick, "x", 1.0) for _ in range(4000)]
    mean = sum(draws) / len(draws)

    assert (sum((d - mean) ** 2 for d in draws) / len(draws)) ** 0.5 == pytest.approx(3.0, rel=0.05)


@pytest.mark.parametrize("spec", [replace(GOOD, x=replace(QUIET, open=True)), replace(GOOD, fitted=False)])
def test_open_wiper_drifts_whatever_the_hand_does(spec: JoystickSpec) -> None:
    """An unconnected input follows the room, not the stick."""
    stick = Joystick(spec, random.Random(1))
    stick.move(1.0, 1.0, 0.0, 0.1)
    seen = [counts(stick, "x", 1.0 + n * 1e-3) for n in range(200)]

    assert max(seen) - min(seen) > 100
    assert max(seen) < 900


def test_unpowered_joystick_reads_nothing() -> None:
    """Both axes sit near zero."""
    stick = Joystick(replace(GOOD, unpowered=True), random.Random(1))
    stick.move(1.0, 1.0, 0.0, 0.1)

    assert counts(stick, "x", 1.0) < 5
    assert counts(stick, "y", 1.0) < 5
