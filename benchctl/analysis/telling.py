"""Which of several plots tells most: the one whose values come nearest to what they must satisfy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchctl.terms import Limit


def nearness(values: npt.ArrayLike, limit: Limit) -> float:
    """How much of the way to the limit the values' own spread is: 0 far from it, 1 at it and beyond."""
    found = np.asarray(values, np.float64)
    found = found[np.isfinite(found)]
    if not len(found):
        return 0.0
    low, high = float(found.min()), float(found.max())
    gaps = [
        gap
        for gap, bound in ((_less(limit.max, high), limit.max), (_less(low, limit.min), limit.min))
        if bound is not None
    ]
    nearest, spread = min(gaps, default=np.inf), high - low
    if nearest <= 0:
        return 1.0
    return float(spread / (spread + nearest)) if np.isfinite(nearest) else 0.0


def _less(a: float | None, b: float | None) -> float:
    return a - b if a is not None and b is not None else np.inf


def trouble_by_load(columns: Sequence[str], data: npt.NDArray[np.float64]) -> list[tuple[str, tuple[float, float]]]:
    """Of a load hunt's trials, shape (trials, columns), for each load: % of those with it that had trouble, and % of
    those without. Loads are the columns before "reset"; trouble is a restart, or settings that were lost. Of columns
    that are not a hunt's: nothing."""
    names = list(columns)
    if not {"reset", "lowest"} <= set(names):
        return []
    first = names.index("reset")
    trouble = np.max(data[:, first : names.index("lowest")], axis=1) > 0
    found = []
    for i, name in enumerate(names[:first]):
        on = data[:, i] > 0
        shares = [100 * float(np.mean(trouble[part])) if part.any() else 0.0 for part in (on, ~on)]
        found.append((name, (shares[0], shares[1])))
    return found
