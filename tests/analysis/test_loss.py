"""Proportions: published intervals, the reference implementation, drift, retransmissions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchctl.analysis import loss
from benchctl.errors import UsageError

# Newcombe, Statistics in Medicine 17 (1998) 857-872, table I; 29/29 and columns 4 and 5 also by scipy and statsmodels
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2535, 0.3682), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0598, 0.1644), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.2005), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0018, 0.1963), (0.0009, 0.1776)),
    (29, 29, (0.8830, 1.0), (0.8544, 1.0), (0.8806, 1.0)),
    (3, 1000, (0.0010, 0.0088), (0.0008, 0.0095), (0.0006, 0.0087)),
    (0, 300, (0.0, 0.0126), (0.0, 0.0158), (0.0, 0.0122)),
    (0, 1000, (0.0, 0.0038), (0.0, 0.0048), (0.0, 0.0037)),
]


def test_handbook_exact_interval():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 % (its last printed digit of the upper limit is
    off)."""
    found = loss.clopper_pearson(4, 20, 0.90)

    assert pytest.approx((found.low, found.high), abs=1.1e-6) == (0.071354, 0.401028)


@given(st.integers(0, 400), st.integers(0, 400), st.sampled_from([0.5, 0.9, 0.95, 0.999]))
def test_exact_interval_is_scipys(lost, more, level):
    """scipy.stats.binomtest is the reference implementation."""
    sent = lost + more
    if not sent:
        return
    wanted = stats.binomtest(lost, sent).proportion_ci(level, "exact")

    found = loss.clopper_pearson(lost, sent, level)

    assert (wanted.low, wanted.high) == pytest.approx((found.low, found.high), abs=1e-10)


@pytest.mark.parametrize(("lost", "sent"), [(-1, 10), (11, 10)])
def test_impossible_counts_are_refused(lost, sent):
    with pytest.raises(UsageError, match="out of"):
        loss.clopper_pearson(lost, sent)


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0])
def test_impossible_levels_are_refused(level):
    with pytest.raises(UsageError, match="confidence level"):
        loss.clopper_pearson(1, 10, level)


def test_drift_of_a_steady_link_is_none():
    rng = np.random.default_rng(3)
    found = loss.loss_drift(np.arange(4000), rng.random(4000) < 0.05)

    assert 0 in found.interval
    assert found.p_value > 0.05


def test_drift_is_found_with_its_slope():
    """Loss that climbs from 1 to 11 % in 600 s."""
    rng = np.random.default_rng(4)
    times = np.linspace(0, 600, 6000)
    found = loss.loss_drift(times, rng.random(6000) < 0.01 + 0.1 * times / 600)

    assert 0.1 / 600 in found.interval
    assert found.p_value < 1e-6


def test_drift_in_groups_equals_drift_by_packet():
    """Cochran-Armitage on a table is the score test on its packets."""
    scores, lost, sent = np.array([0, 1, 2, 3]), np.array([2, 5, 9, 14]), np.array([50, 60, 55, 50])
    packets = np.concatenate([np.arange(n) < k for k, n in zip(lost, sent, strict=True)])

    grouped = loss.loss_drift(scores, np.column_stack((lost, sent)))
    single = loss.loss_drift(np.repeat(scores, sent), packets)

    assert grouped.z == pytest.approx(single.z)
    assert grouped.interval.low == pytest.approx(single.interval.low)


def test_drift_score_is_the_correlation():
    """Armitage 1955: z^2 = n r^2 with r the correlation of time and loss; r from numpy."""
    rng = np.random.default_rng(5)
    times, lost = rng.uniform(0, 1, 500), rng.random(500) < 0.2
    r = np.corrcoef(times, lost)[0, 1]

    assert loss.loss_drift(times, lost).z == pytest.approx(r * math.sqrt(500))


def test_drift_without_loss_is_undecidable():
    found = loss.loss_drift(np.arange(10), np.zeros(10, bool))

    assert (found.interval, found.p_value) == (None, 1.0)
    assert math.isnan(found.z)


def test_drift_refuses_unequal_lengths():
    with pytest.raises(UsageError, match="times for"):
        loss.loss_drift(np.arange(3), np.zeros(4, bool))


def test_retransmissions():
    """Six packets, one given up after 3 repeats: 5 + 1 + 1 + 3 + 1 = 11 attempts, 5 of them acknowledged."""
    found = loss.retransmissions([0, 0, 1, 0, 1, 3], [True, True, True, True, True, False])

    assert found.counts.tolist() == [3, 2]
    assert (found.given_up, found.share, found.most) == (1, 0.4, 1)
    assert found.attempt_loss == pytest.approx(6 / 11)
    assert found.attempt_interval == loss.clopper_pearson(6, 11)
    assert found.mean == 0.4


def test_retransmissions_of_nothing():
    found = loss.retransmissions([], [])

    assert math.isnan(found.attempt_loss)
    assert found.given_up == 0


def test_retransmissions_refuse_negative_counts():
    with pytest.raises(UsageError):
        loss.retransmissions([-1], [True])


@pytest.mark.parametrize(("lost", "sent", "score", "corrected", "exact"), NEWCOMBE)
def test_published_intervals(lost, sent, score, corrected, exact):
    """The exact interval agrees with the published table to its four decimals."""
    got = loss.clopper_pearson(lost, sent)

    assert exact == pytest.approx((got.low, got.high), abs=5.1e-5)


@pytest.mark.parametrize(
    ("sent", "exact", "two_sided"),
    [
        (20, 0.13911, 0.16843),
        (100, 0.029513, 0.036217),
        (300, 0.0099361, 0.012221),
        (1000, 0.0029912, 0.0036821),
        (10000, 0.00029953, 0.00036882),
    ],
)
def test_rule_of_three(sent, exact, two_sided):
    """Nothing lost: the one-sided limit is a little under 3/n."""
    assert loss.clopper_pearson(0, sent).high == pytest.approx(two_sided, rel=5e-5)


def test_nothing_sent_says_nothing():
    assert (loss.clopper_pearson(0, 0).low, loss.clopper_pearson(0, 0).high) == (0, 1)
