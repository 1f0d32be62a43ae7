"""Wald's sequential test: published plans, exact error rates, mean length."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchctl.analysis.sequential import Decision, SequentialPlan, SequentialTest
from benchctl.errors import UsageError
from tests.campaigns.statistics_campaign import fixed_size

# lines by the formulas in the plan code of Kenett, Zacks and Gedeck, Industrial Statistics (2022); the first row is the
# example of NIST/SEMATECH e-Handbook 6.2.6 (printed there as -0.939, 1.205, 0.0397: from memory)
LINES = [
    ((0.01, 0.10, 0.05, 0.10), (-0.93886, 1.20538, 0.039747)),
    ((0.10, 0.30, 0.02, 0.03), (-2.58263, 2.87539, 0.186169)),
    ((0.01, 0.05, 0.05, 0.05), (-1.78377, 1.78377, 0.024985)),
]
HANDBOOK = SequentialPlan(0.01, 0.10, 0.05, 0.10, guaranteed=False)


@pytest.mark.parametrize(("rates", "lines"), LINES)
def test_published_lines(rates, lines):
    plan = SequentialPlan(*rates, guaranteed=False)

    assert lines == pytest.approx((plan.h0, plan.h1, plan.slope), abs=6e-6)


# decision table of the plan in NIST/SEMATECH e-Handbook 6.2.6, as restated in a public reliability package's manual
@pytest.mark.parametrize(("first", "last", "reject"), [(2, 19, 2), (20, 45, 3), (46, 70, 4), (71, 95, 5), (96, 100, 6)])
def test_published_rejection_numbers(first, last, reject):
    assert [reject] * (last - first + 1) == [HANDBOOK.bad_from(n) for n in range(first, last + 1)]


@pytest.mark.parametrize(
    ("first", "last", "accept"), [(1, 23, -1), (24, 48, 0), (49, 73, 1), (74, 99, 2), (100, 100, 3)]
)
def test_published_acceptance_numbers(first, last, accept):
    assert [accept] * (last - first + 1) == [HANDBOOK.good_up_to(n) for n in range(first, last + 1)]


def test_published_sequence_depends_on_order():
    """Defects at items 14, 32 and 38 of the same plan: rejected at 38 (same manual)."""
    test = SequentialTest(0.01, 0.10, 0.05, 0.10, guaranteed=False)
    items = np.zeros(100, bool)
    items[[13, 31, 37]] = True

    assert test.add_many(items) is Decision.BAD
    assert (test.sent, test.lost) == (38, 3)


def test_published_expected_length():
    """Wald's approximation for the same plan (arithmetic): 28.0 at 1 %, 16.4 at 10 %."""
    assert HANDBOOK.expected_packets(0.01) == pytest.approx(28.0, abs=0.05)
    assert HANDBOOK.expected_packets(0.10) == pytest.approx(16.4, abs=0.05)


def test_stated_error_rates_are_kept_exactly():
    """Every packet's probability carried forward: both error rates at or under the stated ones."""
    for plan in (SequentialPlan(), SequentialPlan(0.01, 0.05, 0.1, 0.02), SequentialPlan(0.001, 0.01, cap=20_000)):
        found = plan.characteristic([plan.good, plan.bad])

        assert found.bad[0] <= plan.alpha
        assert found.good[1] <= plan.beta


def test_a_cap_cannot_raise_the_error_rates():
    for cap in (50, 200, 500, 1000):
        found = SequentialPlan(cap=cap).characteristic([0.005, 0.02])

        assert found.bad[0] <= 0.05
        assert found.good[1] <= 0.05


def test_characteristic_against_simulation():
    """Exact probabilities and mean length against 3 000 runs at four rates."""
    plan, rng = SequentialPlan(cap=700), np.random.default_rng(2)
    rates = [0.002, 0.008, 0.011, 0.03]
    found = plan.characteristic(rates)
    for k, rate in enumerate(rates):
        runs = [SequentialTest(cap=700) for _ in range(3000)]
        for run in runs:
            run.add_many(rng.random(700) < rate)
        for decision, exact in ((Decision.GOOD, found.good), (Decision.BAD, found.bad)):
            seen = sum(r.decision is decision for r in runs)
            assert stats.binomtest(seen, 3000, float(exact[k])).pvalue > 1e-4
        lengths = np.array([r.sent for r in runs])
        assert abs(lengths.mean() - found.mean_packets[k]) < 4.5 * lengths.std() / np.sqrt(3000)


def test_characteristic_by_brute_force():
    """All 2^12 sequences of a short plan, weighed by their probability."""
    plan, rate = SequentialPlan(0.1, 0.5, 0.1, 0.1, cap=12), 0.3
    good = bad = packets = 0.0
    for code in range(1 << 12):
        flags = np.array([(code >> k) & 1 for k in range(12)], bool)
        test = SequentialTest(0.1, 0.5, 0.1, 0.1, cap=12)
        test.add_many(flags)
        weight = rate ** flags.sum() * (1 - rate) ** (12 - flags.sum())
        good += weight * (test.decision is Decision.GOOD)
        bad += weight * (test.decision is Decision.BAD)
        packets += weight * test.sent
    found = plan.characteristic(rate)

    assert (good, bad, packets) == pytest.approx((found.good[0], found.bad[0], found.mean_packets[0]))
    assert found.good[0] + found.bad[0] + found.undecided[0] == pytest.approx(1)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.booleans(), max_size=300), st.integers(1, 150), st.integers(1, 40))
def test_blocks_decide_as_single_packets(flags, cap, size):
    """Any division into ordered blocks gives the same decision at the same packet."""
    one, many = (SequentialTest(0.05, 0.3, cap=cap) for _ in range(2))
    for flag in flags:
        one.add(flag)
    for i in range(0, len(flags), size):
        many.add_many(flags[i : i + size])

    assert (one.decision, one.lost, one.sent) == (many.decision, many.lost, many.sent)


def test_decision_stands():
    """What comes after a decision is not counted."""
    test = SequentialTest()
    test.add_counts(50, 50)

    assert test.add(False) is Decision.BAD
    assert (test.lost, test.sent) == (50, 50)


def test_capped():
    test = SequentialTest(cap=10)

    assert test.add_many([False] * 30) is Decision.CAPPED
    assert test.sent == 10


def test_longest_at_the_slope():
    plan = SequentialPlan()

    assert plan.expected_packets(plan.slope) == pytest.approx(-plan.h0 * plan.h1 / (plan.slope * (1 - plan.slope)))
    assert plan.expected_packets(plan.slope) > plan.expected_packets(plan.good)


@pytest.mark.parametrize("arguments", [{"good": 0.02, "bad": 0.01}, {"good": 0}, {"alpha": 0.5}, {"cap": 0}])
def test_nonsense_plans_are_refused(arguments):
    with pytest.raises(UsageError):
        SequentialPlan(**arguments)


def test_length_against_a_test_of_fixed_length():
    """At most 0.45 of it at 0.1 % loss and 0.15 at 5 % (Wald's approximation gives 0.40 and 0.10)."""
    found = SequentialPlan().characteristic([0.001, 0.05]).mean_packets / fixed_size(0.005, 0.02, 0.05, 0.05)

    assert found[0] <= 0.45
    assert found[1] <= 0.15
