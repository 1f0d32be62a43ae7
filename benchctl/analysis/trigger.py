"""Which of several loads, alone or two together, goes with trouble: exact tests on a balanced plan.

Fisher's exact test, one-sided: among trials with and without a load, the chance of so many troubled ones falling
among those with it, were the load without part. Holds for any rate of trouble; the plan's random order makes it
valid. Looks after several blocks, and all loads and pairs, share the stated error rate (Bonferroni).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.equivalence import fisher_tail

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Trigger:
    """loads: one or two. with_it of n_with trials with it had trouble, without of n_without without. chance: p."""

    loads: tuple[str, ...]
    with_it: int
    n_with: int
    without: int
    n_without: int
    chance: float


def find_trigger(
    names: Sequence[str], on: Bools, trouble: Bools, *, alpha: float = 0.01, looks: int = 1
) -> Trigger | None:
    """The load, or two loads together, that the trouble goes with; None when none is proven at `alpha`.

    on: shape (trials, loads); trouble: (trials,). looks: how often the question is asked at most. A pair is named
    only where it explains better than either of its loads alone.
    """
    sets = [*itertools.combinations(range(len(names)), 1), *itertools.combinations(range(len(names)), 2)]
    found = [_test(names, one, on, trouble) for one in sets]
    best = min(found, key=lambda t: (t.chance, len(t.loads)), default=None)
    if best is None or best.chance * len(sets) * looks > alpha:
        return None
    return best


def _test(names: Sequence[str], which: tuple[int, ...], on: Bools, trouble: Bools) -> Trigger:
    both = on[:, list(which)].all(axis=1)
    a, n, c, m = int(trouble[both].sum()), int(both.sum()), int(trouble[~both].sum()), int((~both).sum())
    return Trigger(tuple(names[i] for i in which), a, n, c, m, fisher_tail(a, n - a, c, m - c))
