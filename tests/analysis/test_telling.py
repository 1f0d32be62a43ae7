"""What comes nearest to its limit; trouble per load, counted by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchctl.analysis.telling import nearness, trouble_by_load
from benchctl.terms import Limit


@pytest.mark.parametrize(
    ("values", "limit", "expected"),
    [
        ([270.0, 275.0], Limit(max=300.0), 5 / 30),
        ([5.0, 4.75], Limit(min=4.7), 0.25 / 0.30),
        ([1.0, 2.0], Limit(min=0.0, max=10.0), 1 / 2),
        ([310.0, 290.0], Limit(max=300.0), 1.0),
        ([300.0], Limit(max=300.0), 1.0),
        ([5.0, 5.0], Limit(max=300.0), 0.0),
        ([math.nan], Limit(max=300.0), 0.0),
        ([], Limit(max=1.0), 0.0),
        ([1.0, 2.0], Limit(), 0.0),
    ],
)
def test_nearness_by_hand(values: list[float], limit: Limit, expected: float) -> None:
    assert nearness(values, limit) == pytest.approx(expected)


def test_trouble_of_each_load_with_and_without() -> None:
    """Four trials: both with the LED on had trouble, of those without it none; the servo was on in one of each."""
    columns = ("led", "servo", "reset", "settings lost", "lowest", "sent", "lost")
    data = np.array([
        [1, 0, 1, 0, np.nan, 9, 0],
        [1, 1, 0, 1, 4.8, 9, 0],
        [0, 0, 0, 0, 4.9, 9, 3],
        [0, 1, 0, 0, 4.9, 9, 0],
    ])  # fmt: skip

    assert trouble_by_load(columns, data) == [("led", (100.0, 0.0)), ("servo", (50.0, 50.0))]
    assert trouble_by_load(("a", "b"), data[:, :2]) == []
