"""Which load goes with the trouble: the test against scipy's own, and its stated error rate on plans without a cause."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import fisher_exact

from benchctl.analysis.equivalence import fisher_tail
from benchctl.analysis.trigger import find_trigger

NAMES = ("transmit", "led", "servo", "motor_idle")
PLAN = np.array(list(itertools.product((False, True), repeat=4)), bool)


@pytest.mark.parametrize("table", [(8, 8, 0, 8), (5, 8, 2, 8), (3, 16, 3, 16), (1, 4, 0, 12), (0, 8, 0, 8)])
def test_chance_is_fishers(table):
    """Against scipy.stats.fisher_exact, one-sided."""
    a, n, c, m = table
    expected = fisher_exact([[a, n - a], [c, m - c]], alternative="greater").pvalue

    assert fisher_tail(a, n - a, c, m - c) == pytest.approx(expected)


def test_a_load_that_always_makes_trouble_is_named_after_one_block():
    """8 of 8 against 0 of 8: 1 in 12 870, for any choice of 8 out of 16."""
    found = find_trigger(NAMES, PLAN, PLAN[:, 2], alpha=0.01, looks=6)

    assert found is not None
    assert found.loads == ("servo",)
    assert found.chance == pytest.approx(1 / 12870)


def test_two_loads_that_only_together_make_trouble_are_named_together():
    plan = np.tile(PLAN, (3, 1))

    found = find_trigger(NAMES, plan, plan[:, 0] & plan[:, 2], alpha=0.01, looks=6)

    assert found is not None
    assert found.loads == ("transmit", "servo")


def test_no_trouble_names_nobody():
    assert find_trigger(NAMES, PLAN, np.zeros(16, bool)) is None


@pytest.mark.parametrize("rate", [0.3, *(pytest.param(r, marks=pytest.mark.long) for r in (0.1, 0.5))])
def test_innocent_loads_are_named_no_more_often_than_stated(rate):
    """Trouble that has nothing to do with any load, looked at after each of six blocks; 1 % is promised."""
    chance = np.random.default_rng(17)
    runs, named = 400, 0
    for _ in range(runs):
        trouble = chance.random(96) < rate
        looks = range(1, 7)
        plan = np.tile(PLAN, (6, 1))
        named += any(find_trigger(NAMES, plan[: 16 * n], trouble[: 16 * n], alpha=0.01, looks=6) for n in looks)

    # 4 expected at most; 11 or more would happen once in a thousand campaigns
    assert named <= 10
