"""Delay statistics against the RFCs, order statistics against published ranks, jitter in both forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchctl.analysis import latency
from benchctl.errors import UsageError

LOST = math.inf
#: RFC 2681 section 4: four and five round trips, one lost
FOUR = [100, 110, LOST, 90]
FIVE = [100, 110, LOST, 90, 500]
#: RFC 2330 section 11.3
SIX = [-2, 7, 7, 4, 18, -5]


def test_median_with_a_lost_packet():
    """RFC 2681 section 4.1: 110; section 4.2: an even sample's is the mean of the central two, 105."""
    assert latency.quantile(FIVE, 0.5) == 110
    assert latency.median(FOUR) == 105


def test_minimum():
    """RFC 2681 section 4.3."""
    assert latency.minimum(FOUR) == 90


@pytest.mark.parametrize(("p", "value"), [(0.5, 4), (0.25, -2), (1.0, 18), (0.0, -math.inf)])
def test_percentiles(p, value):
    """RFC 2330 section 11.3 (its 15th percentile contradicts its own rule and is left out)."""
    assert latency.quantile(SIX, p) == value


# ranks by the exact binomial (David and Nagaraja, Order Statistics, section 7.1); the symmetric median ranks are those
# of the usual tables
@pytest.mark.parametrize(
    ("n", "p", "low", "high", "coverage"),
    [
        (6, 0.5, 1, 6, 0.96875),
        (10, 0.5, 2, 9, 0.97852),
        (20, 0.5, 6, 15, 0.95861),
        (25, 0.5, 8, 18, 0.95671),
        (50, 0.5, 18, 33, 0.96716),
        (100, 0.5, 40, 61, 0.96480),
        (100, 0.95, 90, 100, 0.98261),
        (200, 0.95, 184, 197, 0.96715),
        (1000, 0.95, 936, 964, 0.95810),
        (1000, 0.99, 983, 997, 0.97609),
    ],
)
def test_order_statistic_ranks(n, p, low, high, coverage):
    found = latency.quantile_ranks(n, p)

    assert (low, high) == (found.low, found.high)
    assert coverage == pytest.approx(found.coverage, abs=5e-6)


def test_no_upper_rank_for_p99_from_100():
    assert latency.quantile_ranks(100, 0.99) is None
    assert latency.quantile_interval(np.arange(100.0), 0.99) is None


@given(st.integers(1, 3000), st.floats(0.01, 0.99), st.sampled_from([0.8, 0.95, 0.99]))
def test_ranks_against_scipys_binomial(n, p, level):
    """Each tail at most (1 - level) / 2, and no narrower choice of either rank would do."""
    found, tail = latency.quantile_ranks(n, p, level), (1 - level) / 2
    below = stats.binom.cdf(np.arange(n), n, p)  # below[k]: P(X <= k)
    if found is None:
        assert below[0] > tail or below[n - 1] < 1 - tail
        return
    assert below[found.low - 1] <= tail * (1 + 1e-9)
    assert below[found.low] > tail * (1 - 1e-9)
    assert below[found.high - 1] >= (1 - tail) * (1 - 1e-12)
    assert found.high == 1 or below[found.high - 2] < (1 - tail) * (1 + 1e-12)


def test_worst_case_claim():
    """59 samples: their largest covers 95 % with 95 % confidence (0.95151 by the binomial)."""
    found = latency.worst_case(np.arange(59.0))

    assert (found.bound, found.level) == (58, 0.95)
    assert 0.9504 < found.share < 0.951
    assert 1 - found.share**59 == pytest.approx(0.95)


#: RFC 3550 section 6.4.1 and appendix A.8, worked by its two formulas
SENT = np.array([0, 160, 320, 480, 640, 800])
RECEIVED = np.array([1000, 1165, 1320, 1500, 1638, 1800])
WORKED = [0.3125, 0.60546875, 1.817626953125, 3.0790252685546875, 3.0115861892700195]


def test_jitter_worked_example():
    assert pytest.approx(WORKED) == latency.jitter_series(RECEIVED - SENT)


# RFC 3550, RFC 3393 section 4.5: constant |D| = 16 gives 16 (1 - (15/16)^n)
@pytest.mark.parametrize(
    ("n", "value"), [(1, 1), (2, 1.9375), (5, 4.41286), (10, 7.60863), (16, 10.30281), (32, 13.97138)]
)
def test_jitter_step_response(n, value):
    transits = 8.0 * (-1.0) ** np.arange(n + 1)

    assert latency.jitter_series(transits)[-1] == pytest.approx(value, abs=5e-6)


@settings(deadline=None)
@given(st.integers(0, 5000), st.floats(0, 1000), st.integers(0, 2**32 - 1))
def test_blockwise_jitter_equals_the_plain_loop(count, start, seed):
    """Also across many blocks and with an inherited value."""
    transits = np.random.default_rng(seed).exponential(100, count)
    state, wanted = start, []
    for step in np.abs(np.diff(transits)):
        state += (step - state) / 16
        wanted.append(state)

    assert np.allclose(wanted, latency.jitter_series(transits, start), rtol=1e-12)


def test_jitter_summary_leaves_lost_packets_out():
    found = latency.jitter([100, 105, LOST, 100, 120, 98, 100])

    assert (found.final, found.largest) == pytest.approx((WORKED[-1], WORKED[3]))
    assert (found.mean, found.pairs) == (pytest.approx(np.mean(WORKED)), 5)
    assert latency.jitter([LOST, 5]).pairs == 0


def test_interval_reaches_into_the_lost_packets():
    delays = np.concatenate((np.arange(95.0), np.full(5, LOST)))

    assert latency.quantile_interval(delays, 0.95).high == LOST


@pytest.mark.parametrize("delays", [[math.nan], [[1.0]]])
def test_nonsense_delays_are_refused(delays):
    with pytest.raises(UsageError, match="delays"):
        latency.median(delays)


@pytest.mark.parametrize("p", [-0.1, 1.1, 50])
def test_percent_for_a_share_is_refused(p):
    with pytest.raises(UsageError, match="quantile"):
        latency.quantile([1.0], p)


def test_median_of_an_even_number():
    """RFC 2330 section 11.3: its median rule gives 5.5."""
    assert latency.median(SIX) == 5.5


def test_empty_samples_have_no_statistics():
    for found in (latency.median([]), latency.minimum([]), latency.quantile([], 0.5)):
        assert math.isnan(found)
    assert latency.worst_case([]) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.floats(0.001, 1))
def test_quantile_is_the_smallest_with_enough_below(delays, p):
    found = latency.quantile(delays, p)

    assert np.mean(np.asarray(delays) <= found) >= p - 1e-9
    below = [d for d in delays if d < found]
    assert not below or np.mean(np.asarray(delays) <= max(below)) < p + 1e-9
