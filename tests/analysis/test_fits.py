"""Sweeps, poses, droop and edges: certified data, scipy, worked examples and known truth."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchctl.analysis import droop, edges, pose, sweep
from benchctl.errors import UsageError
from benchctl.pairfile.schema import MOUNTS

DATA = Path(__file__).parent / "data"


def column(name):
    """Data of a file: comments, one line of names, numbers."""
    lines = [line for line in (DATA / name).read_text("utf-8").splitlines() if not line.startswith("#")]
    return np.array([[float(v) for v in line.split(",")] for line in lines[1:]]).squeeze()


# ------------------------------------------------------------------------------ straight lines


def test_norris():
    """NIST StRD, linear regression data set Norris: certified values."""
    x, y = column("norris.csv").T
    found = sweep.fit_line(x, y)

    assert len(x) == 36
    assert found.offset == pytest.approx(-0.262323073774029, rel=1e-10)
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert found.offset_error == pytest.approx(0.232818234301152, rel=1e-10)
    assert found.slope_error == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert found.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert found.r2 == pytest.approx(0.999993745883712, rel=1e-13)
    assert found.residual_squares == pytest.approx(26.6173985294224, rel=1e-10)


# NIST StRD, univariate: certified mean and standard deviation
@pytest.mark.parametrize(
    ("name", "count", "mean", "sd"),
    [("lottery.csv", 218, 518.95871559633, 291.699727470969), ("michelso.csv", 100, 299.8524, 0.0790105478190518)],
)
def test_univariate_sets(name, count, mean, sd):
    values = column(name)
    found, rest = edges.spread(values), pose.at_rest(values[:, None])[0]

    assert len(values) == count
    assert (found.mean, found.rms) == pytest.approx((mean, sd), rel=1e-12)
    assert (rest.bias, rest.noise) == pytest.approx((mean, sd), rel=1e-12)


# NIST StRD NumAcc1 to 4: base + 0.2 once, base + 0.1 and base + 0.3 alternating; the inputs are not exact in binary
@pytest.mark.parametrize("base", [1.0, 1_000_000.0, 10_000_000.0])
def test_numerical_accuracy(base):
    values = np.array([base + 0.2] + [base + 0.1, base + 0.3] * 500)
    found = edges.spread(values)

    assert found.mean == pytest.approx(base + 0.2, rel=1e-14)
    assert found.rms == pytest.approx(0.1, rel=1e-7)


def test_numerical_accuracy_of_large_numbers():
    """NIST StRD NumAcc1."""
    found = edges.spread([10000001, 10000003, 10000002])

    assert (found.mean, found.rms) == (10000002, 1)


@given(st.integers(0, 2**31), st.integers(3, 80))
def test_line_is_scipys(seed, count):
    """scipy.stats.linregress, and its Student interval."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(900, 2100, count)
    y = 3 * x + rng.normal(0, 5, count)
    wanted, found = stats.linregress(x, y), sweep.fit_line(x, y)
    squares, half = wanted.stderr**2, stats.t.ppf(0.975, count - 2) * found.slope_error

    # y is in thousands
    assert (found.slope, found.offset) == pytest.approx((wanted.slope, wanted.intercept), rel=1e-9, abs=1e-9)
    # scipy has the squared error from 1 - r², which is known to some roundings of 1 only: slope²/freedom of that
    assert found.slope_error**2 == pytest.approx(squares, abs=1e-14 * wanted.slope**2 / (count - 2))
    assert found.offset_error * wanted.stderr == pytest.approx(found.slope_error * wanted.intercept_stderr)
    assert found.slope_interval().high - found.slope == pytest.approx(half, rel=1e-6, abs=1e-14)
    assert found.r2 == pytest.approx(wanted.rvalue**2)


@given(st.integers(0, 2**31), st.integers(2, 60))
def test_interval_of_a_deviation(seed, count):
    """scipy's chi-square: both tails of (n-1) s^2 / sigma^2."""
    values = np.random.default_rng(seed).normal(0, 3, count)
    found, squares = sweep.deviation_interval(values), values.var(ddof=1) * (count - 1)

    assert stats.chi2.cdf(squares / found.low**2, count - 1) == pytest.approx(0.975)
    assert stats.chi2.cdf(squares / found.high**2, count - 1) == pytest.approx(0.025)
    assert sweep.deviation_interval([1.0]) is None


def test_nonlinearity_is_the_largest_residual():
    x = np.arange(11.0)
    y = x.copy()
    y[5] += 1.1
    found = sweep.fit_line(x, y)

    assert found.nonlinearity == pytest.approx(1.0)
    assert found.at([0])[0] == pytest.approx(0.1)


def test_endpoints():
    found = sweep.endpoints([0, 0, 1023, 1023, 500], [1000, 1002, 1999, 1999, 1500])

    assert (found.low, found.high) == (1001, 1999)
    assert 1000 in found.low_interval
    assert found.high_interval.low == 1999
    assert sweep.endpoints([0, 1], [5, 6]).low_interval is None


def test_hysteresis():
    """The way down lags by 4 everywhere and by 9 at one point."""
    x = np.array([0, 1, 2, 3, 3, 2, 1, 0])
    rising = np.array([True] * 4 + [False] * 4)
    y = 10.0 * x + np.where(rising, 0, 4)
    y[5] += 5
    found = sweep.hysteresis(x, y, rising)

    assert (found.largest, found.where, found.mean) == (9, 2, 5.25)
    with pytest.raises(UsageError, match="both passes"):
        sweep.hysteresis([1, 2], [1, 2], [True, False])


def test_monotonic():
    assert sweep.against_order([1, 2, 2, 5]) == 0
    assert sweep.against_order([1, 3, 2, 5]) == 1
    assert sweep.against_order([1, 3, 2, 5], tolerance=1) == 0
    assert sweep.against_order([5, 3, 4], rising=False) == 1


def test_dead_band():
    x = np.arange(0, 1024, 8)
    y = np.where(np.abs(x - 512) <= 40, 1500.0, 1500 + (x - 512))
    found = sweep.dead_band(x, y, 512, 2)

    assert (found.low, found.high) == (472, 552)
    whole = sweep.dead_band(x, np.zeros(len(x)), 512, 2)
    assert (whole.low, whole.high) == (0, 1016)


def test_missing_codes():
    codes = np.repeat(np.delete(np.arange(12, 1000), [88, 500]), 12)
    found = sweep.axis_samples(codes)

    assert (found.low, found.high, found.span) == (12, 999, 987)
    assert found.missing.tolist() == [100, 512]
    assert len(sweep.axis_samples(np.delete(np.arange(100), 50)).missing) == 0


def test_joystick_at_rest():
    """A silent axis still has the converter's own scatter: sqrt(1/12) of a count."""
    still = sweep.rest_samples(np.full(100, 511))

    assert (still.centre, still.noise, still.peak_to_peak) == (511, 0, 0)
    assert still.interval.high - 511 == pytest.approx(stats.t.ppf(0.975, 99) / math.sqrt(1200))


@pytest.mark.parametrize(
    "call",
    [
        lambda: sweep.fit_line([1, 1, 1], [1, 2, 3]),
        lambda: sweep.fit_line([1, 2], [1, 2]),
        lambda: sweep.fit_line([1, 2, 3], [1, 2]),
        lambda: sweep.axis_samples([]),
        lambda: sweep.rest_samples([1]),
        lambda: edges.actuations([2, 1], [True, False], rest=False),
        lambda: edges.pulses([1], [True, False]),
        lambda: droop.fit_droop([1, 2], [5, 5], 0.1),
        lambda: droop.fit_droop(np.arange(20), np.ones(20), 0.0),
        lambda: droop.fit_droop(np.arange(-20, 0), np.ones(20), 0.1),
        lambda: pose.fit_poses(np.zeros((3, 3)), np.eye(3), cross_axis=True),
        lambda: pose.facing_up([0, 0, 0]),
        lambda: pose.rate_dps(1, 300),
        lambda: pose.at_rest([1, 2]),
    ],
)
def test_nonsense_is_refused(call):
    with pytest.raises(UsageError):
        call()


# ------------------------------------------------------------------------------- inertial sensor


# MPU-6000/MPU-6050 Register Map rev. 4.2, section 4.1: trim formulas
@pytest.mark.parametrize(
    ("code", "gyro", "accel"),
    [
        (1, 3275.0, 1392.64),
        (8, 4486.763, 1756.754),
        (15, 6146.882, 2216.068),
        (16, 6429.639, 2290.832),
        (31, 12622.978, 3768.32),
        (0, 0.0, 0.0),
    ],
)
def test_factory_trim(code, gyro, accel):
    assert pose.gyro_trim(code, "x") == pytest.approx(gyro, abs=5e-4)
    assert pose.gyro_trim(code, "y") == pytest.approx(-gyro, abs=5e-4)
    assert pose.accel_trim(code) == pytest.approx(accel, abs=5e-4)


def test_self_test_worked_example():
    """Registers 0x0D to 0x10 = 70 6D 8F 2D by the bit fields of section 4.1, limits ±14 % of the product
    specification rev. 3.4; responses invented, changes worked out."""
    found = pose.self_test((0x70, 0x6D, 0x8F, 0x2D), [2100, 1750, 2300], [6300, -5900, 7300])

    assert pose.trim_codes((0x70, 0x6D, 0x8F, 0x2D)) == pose.TrimCodes((14, 15, 17), (16, 13, 15))
    wanted = [-2.04, -21.03, -2.88, -2.02, 5.02, 18.76]
    assert wanted == pytest.approx([t.change for t in found], abs=0.005)
    assert [t.passed for t in found] == [True, False, True, True, True, False]
    assert found[4].trim == pytest.approx(-5618.127, abs=5e-4)
    assert found[0].name == "accel_x"


def test_no_factory_value_is_no_pass():
    found = pose.self_test((0, 0, 0, 0), [0, 0, 0], [0, 0, 0])

    assert not any(t.passed or t.has_factory_value for t in found)
    assert math.isnan(found[0].change)


# same register map, section 4.18
@pytest.mark.parametrize(("raw", "celsius"), [(0, 36.53), (-521, 34.998), (-3920, 25.001), (-12420, 0.001)])
def test_temperature(raw, celsius):
    assert pose.temperature_c(raw) == pytest.approx(celsius, abs=5e-4)


# same register map, sections 4.4 and 4.5
@pytest.mark.parametrize(("scale", "counts"), [(250, 131.0), (500, 65.5), (1000, 32.8), (2000, 16.4)])
def test_gyro_scale(scale, counts):
    assert pose.rate_dps(counts, scale) == 1


@pytest.mark.parametrize(("scale", "counts"), [(2, 16384), (4, 8192), (8, 4096), (16, 2048)])
def test_accel_scale(scale, counts):
    assert pose.acceleration_g(counts, scale) == 1


TRUTH = np.array(list(pose.POSES.values()))


def test_six_poses():
    """±3 % scale and 50 to 80 mg offsets, the tolerances of the product specification, are found."""
    gain, offset = np.array([1.03, 0.98, 1.01]), np.array([0.05, -0.05, 0.08])
    rng = np.random.default_rng(2)
    measured = TRUTH * gain + offset + rng.normal(0, 5e-4, TRUTH.shape)
    found = pose.fit_poses(measured, TRUTH)

    assert gain == pytest.approx(found.scale, abs=2e-3)
    assert offset == pytest.approx(found.offset, abs=2e-3)
    assert found.cross == 0
    assert np.abs(found.corrected(measured) - TRUTH).max() < 3e-3


def test_crossed_axes():
    """A sensor turned by 5° about z."""
    turn = math.radians(5)
    gain = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    found = pose.fit_poses(TRUTH @ gain.T + 0.01, TRUTH, cross_axis=True)

    assert found.cross == pytest.approx(math.sin(turn))
    assert found.residual < 1e-12
    assert pose.fit_poses(TRUTH @ gain.T, TRUTH).residual > 0.02


@pytest.mark.parametrize("name", pose.POSES)
def test_orientation(name):
    tilted = np.array(pose.POSES[name]) + np.array([0.05, 0.05, 0.05])

    assert pose.facing_up(tilted)[0] == name
    assert pose.facing_up(pose.POSES[name])[1] == pytest.approx(0)


@pytest.mark.parametrize("mount", MOUNTS)
def test_every_mounting_is_a_turn(mount):
    """24 ways, each a rotation (determinant 1, orthonormal); there and back is where one began."""
    turned = pose.turn(mount)

    assert len(set(MOUNTS)) == 24
    assert np.linalg.det(turned) == pytest.approx(1.0)
    assert np.allclose(turned @ turned.T, np.eye(3))
    assert np.allclose(pose.to_board(pose.to_sensor((1.0, 2.0, 3.0), mount), mount), (1.0, 2.0, 3.0))


def test_a_sensor_turned_by_a_quarter():
    """Mounted "y-xz" its x lies along the board's y, its y against the board's x."""
    assert pose.to_sensor((1.0, 2.0, 3.0), "y-xz").tolist() == [2.0, -1.0, 3.0]


def test_mounting():
    assert pose.axis_mapping({"+z": "+z", "-x": "-x"}) == ""
    assert pose.axis_mapping({"+z": "-z"}) == "mounted the other way round: +z reads -z"
    assert pose.axis_mapping({"+x": "+y"}) == "axes swapped: +x reads +y"


# ------------------------------------------------------------------------------------- droop


def waveform(ohms, uf, esr, amps, until, times):
    """Sharp-sampled rail of 5 V, textbook circuit."""
    both, tau = ohms * esr / (ohms + esr), (ohms + esr) * uf

    def answer(t):
        return np.where(t >= 0, both + (ohms - both) * -np.expm1(-np.maximum(t, 0) / tau), 0)

    return 5 - amps * (answer(times) - answer(times - until))


def test_droop_without_noise_is_exact():
    """3 Ω, 22 µF, 0.3 Ω under 0.2 A for 300 µs."""
    times = np.arange(-50.0, 600.0, 5.0)
    found = droop.fit_droop(times, waveform(3, 22, 0.3, 0.2, 300, times), 0.2, until=300)

    assert found.shape == "exponential"
    assert found.source.value == pytest.approx(3, rel=1e-5)
    assert found.capacity.value == pytest.approx(22, rel=1e-5)
    assert found.esr.value == pytest.approx(0.3, rel=1e-5)
    assert found.tau.value == pytest.approx(3.3 * 22, rel=1e-5)
    assert found.rest.value == pytest.approx(5)
    assert found.lowest.value == pytest.approx(5 - found.amplitude.value)


def test_droop_through_an_aperture():
    """Each sample is a mean over 13 µs; a model without the aperture is wrong, one with it is right."""
    times = np.arange(-60.0, 400.0, 10.0)
    fine = times[:, None] + 13 * (np.arange(400) + 0.5) / 400
    seen = waveform(4, 10, 0.2, 0.1, 250, fine).mean(axis=1)
    right = droop.fit_droop(times, seen, 0.1, until=250, aperture=13)
    wrong = droop.fit_droop(times, seen, 0.1, until=250)

    assert right.tau.value == pytest.approx(42, rel=1e-3)
    assert right.esr.value == pytest.approx(0.2, rel=0.01)
    assert abs(wrong.esr.value / 0.2 - 1) > 0.2


@settings(deadline=None, max_examples=25)
@given(st.floats(0.5, 15), st.floats(2, 150), st.floats(0.05, 0.8), st.integers(0, 2**31))
def test_droop_accuracy(ohms, uf, esr, seed):
    """10-bit converter: amplitude within 10 %, time constant within 20 %, where both are large enough."""
    tau, amps = (ohms + esr) * uf, 0.4 / ohms
    if not 40 < tau < 2000:
        return
    times = np.arange(-200.0, 6 * tau, max(10.0, tau / 40))
    volts = waveform(ohms, uf, esr, amps, 3 * tau, times)
    rng = np.random.default_rng(seed)
    counts = np.round((volts + rng.normal(0, 0.003, len(times))) / (5 / 1024))
    found = droop.fit_droop(times, counts * 5 / 1024, amps, until=3 * tau, lsb=5 / 1024)

    assert found.amplitude.value == pytest.approx(5 - volts.min(), rel=0.1)
    assert found.tau.value == pytest.approx(tau, rel=0.2)


def test_current_limited_regulator_is_a_ramp():
    """0.5 A out of 47 µF alone: 10.6 mV/µs; capacity and ESR come back, the source stays unknown."""
    times = np.arange(-20.0, 100.0, 1.0)
    volts = 5 - np.where(times >= 0, 0.5 * 0.1 + 0.5 / 47 * times, 0)
    rng = np.random.default_rng(1)
    found = droop.fit_droop(times, volts + rng.normal(0, 0.002, len(times)), 0.5)

    assert found.shape == "ramp"
    assert found.capacity.value == pytest.approx(47, rel=0.01)
    assert found.esr.value == pytest.approx(0.1, abs=0.01)
    assert pytest.approx(-found.slope.value, rel=0.01) == 0.5 / 47
    assert math.isnan(found.source.value)
    assert found.source.interval is None


def test_flat_rail_has_no_droop():
    times = np.arange(-20.0, 200.0, 5.0)
    rng = np.random.default_rng(1)
    found = droop.fit_droop(times, 5 + rng.normal(0, 0.005, len(times)), 0.1, lsb=5 / 1024)

    assert 0 in found.amplitude.interval
    assert abs(found.amplitude.value) < 0.01


# -------------------------------------------------------------------------------------- edges


def test_bounces():
    """A press that bounces twice for 800 µs, a clean release, a glitch."""
    times = [1000, 1200, 1300, 1500, 1800, 101_000, 300_000, 300_050]
    levels = [0, 1, 0, 1, 0, 1, 0, 1]
    found = edges.actuations(times, levels, rest=True)

    assert found.first.tolist() == [1000, 101_000, 300_000]
    assert found.settled.tolist() == [1800, 101_000, 300_050]
    assert found.bounces.tolist() == [4, 0, 1]
    assert found.duration.tolist() == [800, 0, 50]
    assert found.level.tolist() == [False, True, True]
    assert found.changed.tolist() == [True, True, False]
    assert len(found) == 3


def test_no_edges():
    assert len(edges.actuations([], [], rest=True)) == 0
    assert math.isnan(edges.pulses([], []).frame)
    assert math.isnan(edges.spread([]).rms)


@given(st.lists(st.integers(1, 60_000), max_size=60))
def test_actuations_keep_every_edge(steps):
    times = np.cumsum(steps)
    found = edges.actuations(times, np.arange(len(times)) % 2 == 0, rest=False)

    assert (found.bounces + 1).sum() == len(times)
    assert np.all(found.first[1:] - found.settled[:-1] >= edges.SETTLE_US)


def test_low_pulses():
    found = edges.pulses([0, 10, 30, 40], [0, 1, 0, 1], active=False)

    assert found.widths.tolist() == [10, 10]
    assert found.starts.tolist() == [0, 30]


def test_pulse_train():
    """50 Hz with one frame missing and one doubled pulse; the first, cut-off pulse is left out."""
    starts = np.array([20_000, 40_000, 80_000, 80_000 + 4_000, 100_000, 120_000, 140_000.0])
    times = np.concatenate(([500.0], np.column_stack((starts, starts + 1500)).ravel()))
    levels = np.concatenate(([False], np.tile([True, False], len(starts))))
    found = edges.pulses(times, levels, frame=20_000)

    assert found.widths.tolist() == [1500] * 7
    assert (found.frame, found.missing, found.extra) == (20_000, 1, 1)
