"""Clock model: what its numbers mean, and that ticks and time invert each other."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.parts.oscillator import Oscillator, OscillatorConfig

errors = st.floats(-5000, 5000)


@given(errors, st.floats(-1, 1), st.floats(0, 5), st.floats(1, 600), st.floats(0, 3600))
def test_ticks_and_time_invert_each_other(ppm: float, drift: float, wander: float, period: float, time: float) -> None:
    config = OscillatorConfig(ppm=ppm, drift_ppm_per_s=drift, wander_ppm=wander, wander_s=period)
    clock = Oscillator(config, random.Random(4))
    assert clock.time_of(clock.ticks(time)) == pytest.approx(time, abs=1e-11, rel=1e-14)


@given(errors)
def test_a_constant_error_is_the_rate(ppm: float) -> None:
    clock = Oscillator(OscillatorConfig(ppm=ppm))
    assert clock.ticks(10.0) == pytest.approx(2e7 * (1 + ppm * 1e-6), rel=1e-12)
    assert clock.rate_ppm(3.0) == pytest.approx(ppm, abs=1e-6)


def test_the_stated_rate_is_the_slope_of_the_ticks() -> None:
    clock = Oscillator(OscillatorConfig(ppm=40, drift_ppm_per_s=0.1, wander_ppm=3, wander_s=20), random.Random(1))
    for time in (0.5, 7.0, 33.0):
        slope = (clock.ticks(time + 1e-3) - clock.ticks(time - 1e-3)) / 2e-3 / 2e6
        assert 1e6 * (slope - 1) == pytest.approx(clock.rate_ppm(time), abs=1e-3)
