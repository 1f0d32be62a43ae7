"""Loss periods (RFC 3357), gaps and bursts (RFC 3611), Gilbert models."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.analysis import bursts


def lost_at(count, *where):
    flags = np.zeros(count, bool)
    flags[list(where)] = True
    return flags


#: RFC 3357 sections 5.4.3 and 6.5: ten packets, numbers 2, 5, 7, 9, 10 (from 1) lost
TEN = lost_at(10, 1, 4, 6, 8, 9)
#: RFC 3357 section 4: r r r x r r x x x r x r r x x x
SIXTEEN = np.array([c == "x" for c in "rrrxrrxxxrxrrxxx"])
#: own example: 100 packets
HUNDRED = lost_at(100, 10, 30, 32, 33, 60, 80, 81)
#: RFC 3611 section 4.7.2: losses and discards of the pattern as printed (63 packets)
PATTERN = lost_at(63, 4, 23, 27, 29, 34, 53)


def test_loss_distance_stream():
    """RFC 3357 section 5.4.3: (distance, lost) of the ten packets."""
    assert bursts.loss_distances(TEN).tolist() == [0, 0, 0, 0, 3, 0, 2, 0, 2, 1]


def test_loss_period_stream():
    """RFC 3357 section 5.4.3."""
    assert bursts.loss_periods(TEN).tolist() == [0, 1, 0, 0, 2, 0, 3, 0, 4, 4]


def test_noticeable_rate():
    """RFC 3357 section 6.5: 3 of 5 with delta 2; the first loss, of distance 0, is not near anything."""
    assert bursts.noticeable_rate(TEN, 2) == 3 / 5
    assert bursts.noticeable_rate(lost_at(5, 2), 99) == 0


def test_period_lengths_and_distances():
    """RFC 3357 section 6.5."""
    assert bursts.period_lengths(TEN).tolist() == [1, 1, 1, 2]
    assert bursts.period_distances(TEN).tolist() == [0, 3, 2, 2]


def test_second_example():
    """RFC 3357 section 4: four periods, from packets 3, 6, 10, 13; the lengths and distances by its
    definitions."""
    starts, lengths = bursts.loss_runs(SIXTEEN)

    assert starts.tolist() == [3, 6, 10, 13]
    assert lengths.tolist() == [1, 3, 1, 3]
    assert bursts.loss_distances(SIXTEEN)[SIXTEEN].tolist() == [0, 3, 1, 1, 2, 3, 1, 1]
    assert bursts.period_distances(SIXTEEN).tolist() == [0, 3, 2, 3]


def test_loss_distance_of_two():
    """RFC 3357 section 4: packets 20 and then 50 lost have a distance of 30."""
    assert bursts.loss_distances(lost_at(60, 20, 50))[50] == 30


def test_burst_of_the_report_block_example():
    """RFC 3611 section 4.7.2: one burst of 12 packets with 4 lost; gaps of 23 and 28 with 2 lost.

    The RFC prints density bytes 84 and 10; its own rule (integer part of 256 times) gives 85 and 10: within
    1.
    """
    found = bursts.gaps_and_bursts(PATTERN)

    assert (found.starts.tolist(), found.ends.tolist()) == ([23], [34])
    assert (found.burst_packets, found.burst_lost) == (12, 4)
    assert (found.gaps, found.gap_packets, found.gap_lost) == (2, 51, 2)
    assert pytest.approx(found.density_bytes, abs=1) == (84, 10)


def test_bursts_of_our_example():
    """The definition of RFC 3611 section 4.7.2 applied by hand to 100 packets."""
    found = bursts.gaps_and_bursts(HUNDRED)

    assert (found.starts.tolist(), found.ends.tolist()) == ([30, 80], [33, 81])
    assert (found.burst_packets, found.burst_lost, found.mean_burst) == (6, 5, 3)
    assert (found.gap_packets, found.gap_lost) == (94, 2)
    assert found.density_bytes == (213, 5)


@pytest.mark.parametrize(("good", "count"), [(15, 1), (16, 0)])
def test_gmin_is_the_edge(good, count):
    """RFC 3611: two losses with 15 good packets between are a burst (the sparsest, 1/16 apart), with 16
    not."""
    assert bursts.gaps_and_bursts(lost_at(60, 20, 21 + good)).bursts == count


def test_no_loss_and_only_loss():
    assert bursts.gaps_and_bursts(np.zeros(5, bool)).gaps == 1
    assert bursts.gaps_and_bursts(np.zeros(5, bool)).burst_density == 0
    everything = bursts.gaps_and_bursts(np.ones(5, bool))
    assert (everything.burst_packets, everything.gaps, everything.density_bytes) == (5, 0, (255, 0))
    assert bursts.gaps_and_bursts([]).gap_packets == 0


def groups_one_by_one(flags, gmin):
    """The same definition as a plain loop."""
    found, last = [], None
    for i, lost in enumerate(flags):
        if lost:
            if last is not None and i - last - 1 < gmin:
                found[-1].append(i)
            else:
                found.append([i])
            last = i
    return [g for g in found if len(g) >= 2]


@given(st.lists(st.booleans(), max_size=200), st.integers(1, 20))
def test_bursts_equal_a_plain_loop(flags, gmin):
    wanted = groups_one_by_one(flags, gmin)

    found = bursts.gaps_and_bursts(np.array(flags, bool), gmin)

    assert [g[0] for g in wanted] == found.starts.tolist()
    assert [g[-1] for g in wanted] == found.ends.tolist()
    assert sum(map(len, wanted)) == found.burst_lost
    assert found.burst_lost + found.gap_lost == sum(flags)
    assert found.burst_packets + found.gap_packets == len(flags)


@given(st.lists(st.booleans(), max_size=100))
def test_periods_and_distances_agree_with_each_other(flags):
    lost = np.array(flags, bool)

    assert bursts.period_lengths(lost).sum() == lost.sum()
    assert bursts.loss_periods(lost).max(initial=0) == len(bursts.period_lengths(lost))
    where = np.flatnonzero(lost)
    assert bursts.loss_distances(lost).sum() == (where[-1] - where[0] if len(where) else 0)


def test_gilbert_numbers():
    """Ghanbari, Standard Codecs, appendix E: loss p/(p+r), burst 1/r, good run 1/p."""
    model = bursts.Gilbert(0.01, 0.25, bursts.clopper_pearson(1, 100), bursts.clopper_pearson(1, 4))

    assert (model.loss, model.mean_burst, model.mean_gap) == pytest.approx((1 / 26, 4, 100))


def test_gilbert_elliott_loss():
    """Loss = (1-k) good + (1-h) bad (from memory: Hasslinger and Hohlfeld 2008): 2.019 %."""
    assert bursts.GilbertElliott(0.01, 0.25, 0.999, 0.5).loss == pytest.approx(0.02019, abs=5e-6)


def test_gilbert_fit_counts_transitions():
    """Our 100 packets: p = 5/92, r = 5/7, mean burst 1.4, loss of the model 7.07 %."""
    found = bursts.fit_gilbert(HUNDRED)

    assert (found.p, found.r) == pytest.approx((5 / 92, 5 / 7))
    assert (found.mean_burst, found.loss) == pytest.approx((1.4, 0.0707), rel=1e-3)
    assert found.p in found.p_interval


def test_gilbert_fit_without_loss():
    found = bursts.fit_gilbert(np.zeros(10, bool))

    assert found.p == 0
    assert math.isnan(found.r)


def test_gilbert_elliott_likelihood_is_the_forward_algorithm():
    """The folded matrix product against the plain forward recursion over packets."""
    rng = np.random.default_rng(1)
    lost = rng.random(300) < 0.15
    p, r, kg, kb = 0.05, 0.3, 0.97, 0.4
    state, total = np.array([r, p]) / (p + r), 0.0
    for flag in lost:
        state = state * (np.array([1 - kg, 1 - kb]) if flag else np.array([kg, kb]))
        total += math.log(state.sum())
        state = state / state.sum() @ np.array([[1 - p, p], [r, 1 - r]])

    assert bursts._log_likelihood(bursts._stretches(lost), p, r, kg, kb) == pytest.approx(total)


def test_gilbert_elliott_fit_finds_the_model():
    """60 000 packets of a known model: each chance within a third, total loss within a tenth."""
    rng, flags, bad = np.random.default_rng(7), np.zeros(60_000, bool), False
    for i, (move, drop) in enumerate(rng.random((60_000, 2))):
        bad = move >= 0.25 if bad else move < 0.01
        flags[i] = drop < (0.5 if bad else 0.001)
    found = bursts.fit_gilbert_elliott(flags)

    assert pytest.approx((found.p, found.r), rel=0.34) == (0.01, 0.25)
    assert found.keep_bad == pytest.approx(0.5, abs=0.1)
    assert found.loss == pytest.approx(flags.mean(), rel=0.1)


def test_gilbert_elliott_needs_losses():
    assert bursts.fit_gilbert_elliott(HUNDRED) is None
