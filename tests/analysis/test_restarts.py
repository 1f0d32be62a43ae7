"""Restarts as they show in a pulse train, at rest and in the supply; trains made here, with the truth known."""

from __future__ import annotations

import numpy as np
import pytest

from benchctl.analysis.restarts import Sign, at_rest, in_pulses, in_supply, told_apart

FRAME = 0.02


def train(count: int = 500, frame: float = FRAME, scatter: float = 0.0, seed: int = 1) -> np.ndarray:
    chance = np.random.default_rng(seed)
    rises = 1.0 + np.cumsum(frame + scatter * chance.uniform(0, 1, count))
    return np.column_stack((rises, np.full(count, 1500.0)))


def restarted(pulses: np.ndarray, at: list[int], gap: float) -> np.ndarray:
    """After each of these pulses nothing comes for `gap` more seconds."""
    out = pulses.copy()
    for n in at:
        out[n + 1 :, 0] += gap
    return out


def test_an_undisturbed_train_has_no_sign() -> None:
    pulses = train()

    assert in_pulses(pulses, pulses[-1, 0] + 0.01) == []
    assert at_rest(pulses, [0.0], 100.0) == []


@pytest.mark.parametrize("gap", [0.0013, 0.07, 0.3, 2.0])
def test_every_restart_of_a_steady_train_is_one_sign(gap: float) -> None:
    """From a step of a fifteenth of a frame on, to a boot loader's two seconds."""
    at = [50, 120, 300]
    pulses = restarted(train(), at, gap)
    found = told_apart(in_pulses(pulses, pulses[-1, 0]))

    assert [s.start for s in found] == [pytest.approx(pulses[n, 0]) for n in at]


def test_a_restart_every_170_ms_is_counted_as_often() -> None:
    at = list(range(3, 490, 5))
    pulses = restarted(train(), at, 0.07)

    assert len(in_pulses(pulses, pulses[-1, 0])) == len(at)


def test_a_train_made_by_a_loop_scatters_without_a_sign_and_a_pause_in_it_is_one() -> None:
    pulses = train(frame=0.018, scatter=0.015)

    assert in_pulses(pulses, pulses[-1, 0]) == []
    broken = restarted(pulses, [200], 0.3)
    assert [s.start for s in in_pulses(broken, broken[-1, 0])] == [pytest.approx(pulses[200, 0])]


def test_a_train_that_has_ended_is_a_sign() -> None:
    pulses = train(100)

    assert len(in_pulses(pulses, pulses[-1, 0] + 1.0)) == 1


def test_pulses_that_leave_their_width_and_come_back_are_a_sign_and_a_moved_stick_is_none() -> None:
    pulses = train()
    pulses[250:, 1] = 1900.0  # the stick was moved
    moves = [0.0, float(pulses[250, 0]) - 0.01]

    assert at_rest(pulses, moves, 100.0) == []
    pulses[100:108, 1] = 1000.0
    found = at_rest(pulses, moves, 100.0)
    assert [(s.start, s.end) for s in found] == [(pulses[100, 0], pulses[107, 0])]
    assert "1000 µs" in found[0].what


def test_a_width_that_follows_slowly_is_no_sign() -> None:
    pulses = train()
    pulses[:, 1] = 1500 + 400 * np.exp(-np.arange(500) / 40)

    assert at_rest(pulses, [1.0], 100.0) == []


def test_a_supply_below_the_brown_out_level() -> None:
    assert [s.start for s in in_supply([(1.0, 4.9), (2.0, 4.1), (3.0, 4.9)], 4.3)] == [2.0]


def test_what_belongs_together_is_one_restart() -> None:
    """The gap, the widths after it, the reset line and the supply."""
    signs = [Sign(1.0, 1.3, "gap"), Sign(1.02, 1.02, "line"), Sign(1.4, 1.9, "rest"), Sign(5.0, 5.1, "gap")]

    assert [s.what for s in told_apart(signs)] == ["gap", "gap"]
