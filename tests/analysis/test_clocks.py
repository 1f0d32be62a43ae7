"""Clocks: time transfer by the RFC, unwrapping, relations against oscillators of known course."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.analysis import clocks
from benchctl.analysis.envelope import lower_edge, touching_line, weighted_quantiles
from benchctl.analysis.track import fit_track
from benchctl.errors import UsageError


# RFC 5905 section 8, arithmetic by its formula
@pytest.mark.parametrize(
    ("stamps", "offset", "delay"),
    [((10.000, 25.004, 25.006, 10.012), 14.999, 0.010), ((0, 100, 110, 30), 90, 20)],
)
def test_two_way_transfer(stamps, offset, delay):
    found = clocks.two_way(*stamps)

    assert (found.offset[0], found.delay[0]) == pytest.approx((offset, delay))


#: RFC 5905 section 10: of these the one with the least delay is taken
FOUR = np.array(
    [
        [1000, 6030, 6040, 1050],
        [2000, 7012, 7022, 2030],
        [3000, 8005, 8015, 3022],
        [4000, 9040, 9050, 4060],
    ]
)


@given(st.floats(-1e6, 1e6), st.floats(0, 1e4), st.floats(0, 1e4), st.floats(0, 1e4))
def test_truth_is_within_half_the_delay(offset, there, turn, back):
    """RFC 5905 section 8, for any ways there and back."""
    found = clocks.two_way(0, there + offset, there + turn + offset, there + turn + back)

    assert abs(found.offset[0] - offset) <= found.delay[0] / 2 + 1e-6
    exact = clocks.two_way(0, there + offset, there + turn + offset, there + turn + back, asymmetry=there - back)
    assert exact.offset[0] == pytest.approx(offset, abs=1e-6)


@given(st.lists(st.integers(-(2**31) + 1, 2**31 - 1), max_size=50), st.integers(0, 2**32 - 1))
def test_unwrapping(steps, start):
    """Any walk with steps under half the range comes back from its low 32 bits."""
    truth = start + np.concatenate(([0], np.cumsum(np.array(steps, np.int64))))
    seen = truth % 2**32
    extender = clocks.TickExtender()

    assert (truth - truth[0] + seen[0]).tolist() == clocks.unwrap_ticks(seen).tolist()
    assert [extender.extend(int(t)) for t in seen] == clocks.unwrap_ticks(seen).tolist()


def test_extender_takes_blocks():
    truth = np.arange(100, dtype=np.int64) * 1_500_000_000
    extender = clocks.TickExtender()
    parts = [extender.extend_many(truth[i : i + 7] % 2**32) for i in range(0, 100, 7)]

    assert np.concatenate(parts).tolist() == truth.tolist()
    assert len(extender.extend_many([])) == 0
    assert len(clocks.unwrap_ticks([])) == 0


def test_sixteen_bits():
    assert clocks.unwrap_ticks([65_000, 100, 65_500], 16).tolist() == [65_000, 65_636, 65_500]


def exchanges_with(ppm, drift_ppm_s=0.0, count=400, length=20e6, seed=1, offset=12_345.678):
    """Radio exchanges of a perfect clock a with a clock b that is off and drifts; ticks of 0.5 µs."""
    rng = np.random.default_rng(seed)

    def b(t):
        return t + offset + ppm * 1e-6 * t + drift_ppm_s * 1e-12 * (t - length / 2) ** 2 / 2

    start = (np.arange(count) + rng.uniform(0, 0.5, count)) * length / count
    turn = rng.uniform(200, 300, count)
    stamps = start, b(start + 137), b(start + 137 + turn), start + 274 + turn
    return [np.floor(s * 2) / 2 for s in stamps], b


def test_relation_of_two_boards():
    """5 000 ppm apart: offset to a tenth of a tick, skew to a hundredth of a ppm."""
    stamps, b = exchanges_with(5000.0)
    found = clocks.relate_boards(*stamps)
    moments = np.array([1e6, 10e6, 19e6])

    assert np.abs(found.to_b(moments) - b(moments)).max() < 0.05
    assert np.all(np.abs(found.offset(moments) - (b(moments) - moments)) < found.half_width(moments))
    assert found.skew == pytest.approx(5000, abs=0.01)
    assert 5000 in found.skew_interval
    assert np.abs(found.to_a(b(moments)) - moments).max() < 0.05


def test_relation_follows_drift():
    """A ceramic resonator warming up by 2 ppm/s: a straight line would be off by 100 µs."""
    stamps, b = exchanges_with(-3000.0, 2.0)
    found = clocks.relate_boards(*stamps)
    moments = np.linspace(0.2e6, 19.8e6, 50)

    assert np.abs(found.to_b(moments) - b(moments)).max() < 0.15
    skew, half = found.skew_at(15e6)
    assert abs(skew - (-3000 + 2 * 5)) < half < 0.2


def test_there_and_back_is_the_same_moment():
    stamps, _ = exchanges_with(4000.0, 1.0)
    found = clocks.relate_boards(*stamps)
    moments = np.linspace(0, 20e6, 30)

    assert np.abs(found.to_a(found.to_b(moments)) - moments).max() < 1e-3


def test_known_asymmetry_is_taken_out():
    stamps, _ = exchanges_with(10.0, count=300)
    late = [stamps[0], stamps[1] + 40, stamps[2] + 40, stamps[3] + 40]
    plain, corrected = clocks.relate_boards(*late), clocks.relate_boards(*late, asymmetry=40)

    assert plain.offset(np.array([5e6]))[0] - corrected.offset(np.array([5e6]))[0] == pytest.approx(20)


def test_clocks_in_step_do_not_claim_more_than_a_tick():
    """Equal rates and exchanges on whole ticks: repetition cannot see below the tick, and the interval says
    so."""
    start = np.arange(100) * 10_000.0
    found = clocks.relate_boards(start, start + 500, start + 700, start + 1200)

    assert found.half_width([0.5e6])[0] >= 0.25


def test_held_up_exchanges_do_no_harm():
    """One in twenty answered a millisecond late on the way back: dropped, and the offset stays right."""
    stamps, b = exchanges_with(1500.0)
    stamps[3][::20] += 1000
    found = clocks.relate_boards(*stamps)
    moments = np.linspace(1e6, 19e6, 20)

    assert found.exchanges == 380
    assert np.abs(found.to_b(moments) - b(moments)).max() < 0.05


def host_exchanges(ppm, count=600, length=10e6, seed=3):
    rng = np.random.default_rng(seed)
    sent = (np.arange(count) + rng.uniform(0, 0.7, count)) * length / count
    out = 300 + rng.uniform(0, 1000, count) + rng.exponential(30, count)
    back = 300 + rng.uniform(0, 16_000, count)
    board = np.floor((50_000 + (sent + out) * (1 + ppm * 1e-6)) * 2) / 2
    return sent, board, sent + out + back


@pytest.mark.parametrize("ppm", [-5000.0, 0.0, 37.0, 5000.0])
def test_host_relation_after_ten_seconds(ppm):
    """Through USB frames of 1 ms and a latency timer of 16 ms: skew within 2 ppm, offset bounded."""
    found = clocks.relate_host(*host_exchanges(ppm), out_least=240, back_least=240)

    assert found.skew == pytest.approx(ppm, abs=2)
    assert ppm in found.skew_interval
    truth = 50_000 + 5e6 * ppm * 1e-6
    assert truth in found.offset_interval(5e6)
    assert found.half_width([5e6])[0] < 200


def test_host_relation_followed_in_windows():
    """A minute with 0.5 ppm/s of drift: the skew at a moment follows, the offset stays bounded."""
    rng = np.random.default_rng(8)
    sent = (np.arange(2400) + rng.uniform(0, 0.7, 2400)) * 60e6 / 2400
    out, back = 300 + rng.uniform(0, 1000, 2400), 300 + rng.uniform(0, 1000, 2400)

    def board(t):
        return t + 700 + 1000e-6 * t + 0.5e-12 * (t - 30e6) ** 2 / 2

    found = clocks.relate_host(sent, board(sent + out), sent + out + back, out_least=250, back_least=250)

    assert board(20e6) - 20e6 in found.offset_interval(20e6)
    for t in (10e6, 30e6, 50e6):
        skew, half = found.skew_at(t)
        assert abs(skew - (1000 + 0.5 * (t - 30e6) / 1e6)) < half < 5


@pytest.mark.parametrize("seed", range(6))
def test_delays_without_scatter(seed):
    """All requests equally fast: the edge is the line itself, to the tick."""
    rng = np.random.default_rng(seed)
    sent = np.sort(rng.uniform(0, 5e6, 60))
    board = np.floor((sent + 300) * (1 + 20e-6) * 2) / 2
    found = clocks.relate_host(sent, board, sent + 600)

    assert found.skew == pytest.approx(20, abs=0.3)


def test_exact_line_has_an_edge():
    """No scatter at all, not even of ticks."""
    found = lower_edge(np.linspace(0, 1, 20), np.linspace(5, 7, 20))

    assert (found.level, found.slope) == pytest.approx((6, 2), abs=1e-6)


@given(st.integers(0, 2**31), st.integers(8, 60))
def test_touching_line_is_the_convex_hulls(seed, count):
    """Below all points, and no higher at the centre than the chord of any two points around it."""
    rng = np.random.default_rng(seed)
    t, y = np.sort(rng.uniform(-1, 1, count)), rng.exponential(1, count)
    if t[0] > -0.01 or t[-1] < 0.01:
        return
    level, slope = touching_line(t, y)
    left, right = t < 0, t > 0
    chords = [y[i] + (y[j] - y[i]) * -t[i] / (t[j] - t[i]) for i in np.flatnonzero(left) for j in np.flatnonzero(right)]

    assert np.all(level + slope * t <= y + 1e-7)
    assert level == pytest.approx(min(chords), abs=1e-6)


def test_weighted_quantiles():
    assert weighted_quantiles(np.arange(4.0), np.ones(4), np.array([0.5])) == pytest.approx(1.5)


@pytest.mark.parametrize(
    "call",
    [
        lambda: clocks.two_way([1, 2], [1], [1], [1]),
        lambda: clocks.relate_boards([1], [1], [1], [1]),
        lambda: clocks.relate_boards(*np.ones((4, 10))),
        lambda: clocks.relate_host([1], [1], [1]),
        lambda: clocks.relate_host([], [], []),
        lambda: clocks.relate_host(np.ones(20), np.ones(20), np.ones(20)),
        lambda: clocks.relate_host([1], [1, 2], [1]),
        lambda: fit_track([3, 2, 1, 0], [0, 0, 0, 0]),
        lambda: fit_track([], []),
    ],
)
def test_too_little_is_refused(call):
    with pytest.raises(UsageError):
        call()


def test_track_interpolates_and_widens_outside():
    """Between samples sharp, beyond them honest."""
    t = np.linspace(0, 10, 40)
    track = fit_track(t, np.sin(t / 3) + np.random.default_rng(1).normal(0, 0.01, 40))

    assert track.value(np.array([4.4])) == pytest.approx(math.sin(4.4 / 3), abs=0.02)
    assert track.half_width([14.0])[0] > 5 * track.half_width([5.0])[0]
    assert track.noise == pytest.approx(0.01, rel=0.4)
    many = track.half_width(np.linspace(0, 10, 500))
    assert many[250] == pytest.approx(track.half_width([np.linspace(0, 10, 500)[250]])[0], rel=0.02)


def test_track_slopes():
    t = np.linspace(0, 10, 60)
    track = fit_track(t, 3 * t + 0.2 * t**2 + np.random.default_rng(1).normal(0, 0.001, 60))
    slope, half = track.slope(5.0)
    mean, mean_half = track.mean_slope(2.0, 4.0)

    assert abs(slope - 5.0) < half + 1e-3
    assert abs(mean - 4.2) < mean_half + 1e-3
