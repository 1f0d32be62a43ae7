"""The period of a loop from the times of its output's changes; loops made here."""

from __future__ import annotations

import numpy as np
import pytest

from benchctl.analysis.phases import loop_period


def changes(period: float, jitter: float, count: int = 200, seed: int = 1) -> np.ndarray:
    """Times at which a loop with such turns shows changes that come at random."""
    chance = np.random.default_rng(seed)
    turns = np.cumsum(period + jitter * chance.uniform(-1, 1, 40 * count))
    asked = np.cumsum(chance.uniform(0.1, 0.1 + 2 * period, count))
    return turns[np.unique(np.searchsorted(turns, asked))]


@pytest.mark.parametrize("period", [0.0203, 0.0712, 0.2, 0.43])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_period_is_found(period: float, seed: int) -> None:
    assert loop_period(changes(period, 0.01 * period, seed=seed)) == pytest.approx(period, rel=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_without_a_loop_there_is_none(seed: int) -> None:
    chance = np.random.default_rng(seed)

    assert loop_period(np.cumsum(chance.uniform(0.02, 0.2, 300))) is None


def test_few_changes_tell_nothing() -> None:
    assert loop_period(changes(0.07, 0.0, 20)) is None
