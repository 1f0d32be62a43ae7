"""Rails behind a regulator, and waveforms that no shape explains."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchctl.analysis import droop
from benchctl.analysis.droop_shapes import dip_mean

AMPS, TAU_S, FARAD, ESR = 0.0113, 35e-6, 0.6e-6, 0.4


def regulated(times):
    """3.3 V from a regulator, critically damped, integrated numerically; it cannot take current back."""

    def law(t, y):
        volts, amps = y
        load = AMPS if 0 <= t < 459e-6 else 0.0
        slope = FARAD / TAU_S**2 * (3.3 - volts) - 2 / TAU_S * (amps - load)
        return [(amps - load) / FARAD, slope if amps > 0 or slope > 0 else 0.0]

    out = solve_ivp(law, (-1e-6, 1e-3), [3.3, 0.0], t_eval=np.maximum(times, -1e-6), max_step=1e-7, rtol=1e-8)
    load = np.where((times >= 0) & (times < 459e-6), AMPS, 0.0)
    return out.y[0] + ESR * (np.maximum(out.y[1], 0) - load)


@pytest.mark.parametrize("noise", [0.0, 0.002])
def test_a_regulator_that_answers_late(noise):
    """Depth, capacity, ESR and the regulator's time come back; the rail that comes back has no source ohms to see."""
    times = np.arange(0.0, 750e-6, 10e-6) + 1.5e-6
    true = regulated(times)
    rng = np.random.default_rng(4)
    volts = np.concatenate((np.full(10, 3.3), true + rng.normal(0, noise, len(true))))
    found = droop.fit_droop(
        np.concatenate((np.linspace(-100, -10, 10), 1e6 * times)), volts, AMPS, until=459, lsb=3.3 / 1024
    )

    assert found.shape == "recovering"
    fine = regulated(np.arange(0.0, 200e-6, 0.5e-6))
    assert found.amplitude.value == pytest.approx(3.3 - fine.min(), rel=0.02)
    assert found.tau.value == pytest.approx(35, rel=0.03)
    assert found.capacity.value == pytest.approx(0.6, rel=0.04)
    assert found.esr.value == pytest.approx(0.4, abs=0.4)
    assert math.isnan(found.source.value)


def test_a_rail_that_rises_under_its_load_is_not_resolved():
    """Only what was sampled is told, no ohms and no capacity."""
    times = np.arange(-100.0, 700.0, 10.0)
    volts = 3.3 + 0.4 * np.clip(times / 200, 0, 1)
    found = droop.fit_droop(times, volts, 0.0113, until=459, lsb=3.3 / 1024)

    assert found.shape == "unresolved"
    assert found.amplitude.value == pytest.approx(0, abs=0.05)
    assert found.rest.value == pytest.approx(3.3)
    assert all(math.isnan(e.value) for e in (found.tau, found.source, found.capacity, found.esr))


def test_nothing_negative_is_ever_told():
    """Noise alone, many times: droop, ohms, capacity and ESR are never below zero by more than their interval."""
    rng = np.random.default_rng(9)
    times = np.arange(-100.0, 700.0, 10.0)
    for _ in range(40):
        found = droop.fit_droop(times, 3.3 + rng.normal(0, 0.02, len(times)), 0.0113, until=459, lsb=3.3 / 1024)
        for estimate in (found.source, found.capacity, found.esr):
            assert not estimate.value < 0, found
        assert found.amplitude.interval is None or found.amplitude.interval.high >= 0


def test_means_over_an_aperture():
    """Against fine sums of the two courses."""
    times = np.array([-30.0, -5.0, 0.0, 12.0, 80.0])
    fine = times[:, None] + 13 * (np.arange(40_000) + 0.5) / 40_000
    fall, dip = dip_mean(times, 20.0, 13.0)
    sharp_fall, sharp_dip = dip_mean(fine, 20.0, 0.0)

    assert fall == pytest.approx(sharp_fall.mean(axis=1), abs=1e-4)
    assert dip == pytest.approx(sharp_dip.mean(axis=1), abs=1e-4)
