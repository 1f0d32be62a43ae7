"""Latency: quantiles with order-statistic intervals, claims on the worst case, jitter, delay variation.

A delay is a number in any one unit; a lost packet is an infinitely large delay (RFC 2681 section 4.1, RFC
7679 section 5.1), `math.inf`. Nothing is ever trimmed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, binomial_cdf, check_level
from benchctl.errors import UsageError
from benchctl.terms import Interval

#: recursion block of the jitter filter: what a block inherits has decayed to (15/16)^1024 = 2e-29 at its end
_BLOCK = 1024


def _delays(delays: npt.ArrayLike) -> Floats:
    out = np.asarray(delays, np.float64)
    if out.ndim != 1 or np.isnan(out).any():
        raise UsageError("delays must be one row of numbers, infinite where lost, never NaN")
    return out


def _check_share(p: float) -> float:
    if not 0 < p < 1:
        raise UsageError(f"quantile {p} is not between 0 and 1")
    return p


def quantile(delays: npt.ArrayLike, p: float) -> float:
    """Smallest delay with at least the share `p` of all at or below it (RFC 2330 section 11.3).

    p = 0 gives minus infinity by that rule; NaN for an empty sample. Raises UsageError unless 0 <= p <= 1.
    """
    values = _delays(delays)
    if not 0 <= p <= 1:
        raise UsageError(f"quantile {p} is not between 0 and 1")
    if not len(values):
        return math.nan
    rank = rank_of(len(values), p)
    return -math.inf if rank == 0 else float(np.partition(values, rank - 1)[rank - 1])


def rank_of(n: int, p: float) -> int:
    """Rank, from 1, of the quantile `p` among n sorted values; 0 for p = 0. Safe against 0.95 * 100 > 95."""
    return max(0, min(n, math.ceil(n * p - 1e-9 * max(1.0, n * p))))


def median(delays: npt.ArrayLike) -> float:
    """Median; mean of the two central values of an even sample (RFC 2681 section 4.2). NaN when empty."""
    values = np.sort(_delays(delays))
    if not len(values):
        return math.nan
    return float((values[(len(values) - 1) // 2] + values[len(values) // 2]) / 2)


def minimum(delays: npt.ArrayLike) -> float:
    """Smallest delay (RFC 2681 section 4.3); infinite when all are lost, NaN when empty."""
    values = _delays(delays)
    return float(values.min()) if len(values) else math.nan


@dataclass(frozen=True, slots=True)
class Ranks:
    """Ranks, from 1, of the sorted sample between which a quantile lies, with the true coverage."""

    low: int
    high: int
    coverage: float


def quantile_ranks(n: int, p: float, level: float = 0.95) -> Ranks | None:
    """Order-statistic interval of the quantile `p` from n samples, any distribution: each tail at most
    (1 - level)/2 by the exact binomial. None where the sample is too small for one of the ends.

    David and Nagaraja, Order Statistics (2003), section 7.1. Raises UsageError for p or level outside 0..1.
    """
    tail = (1 - check_level(level)) / 2
    _check_share(p)
    if n < 1:
        return None
    below = _binomial_rank(tail, n, p)  # most k with P(X <= k) <= tail
    above = _binomial_rank(1 - tail, n, p, over=True) + 1  # P(X <= above - 1) >= 1 - tail
    low = below + 1
    if low < 1 or above > n:
        return None
    cover = float(binomial_cdf(above - 1, n, p) - binomial_cdf(low - 1, n, p))
    return Ranks(low, above, cover)


def _binomial_rank(chance: float, n: int, p: float, over: bool = False) -> int:
    """Largest k with P(X <= k) <= chance (-1: none), or with `over` the smallest with P(X <= k) >= chance."""
    width = 12 * math.sqrt(n * p * (1 - p)) + 12
    k = np.arange(max(-1, math.floor(n * p - width)), min(n, math.ceil(n * p + width)) + 1)
    cdf = binomial_cdf(k, n, p)
    if over:
        return int(k[int(np.argmax(cdf >= chance))])
    return int(k[int(np.flatnonzero(cdf <= chance)[-1])]) if cdf[0] <= chance else -1


def quantile_interval(delays: npt.ArrayLike, p: float, level: float = 0.95) -> Interval | None:
    """Interval of the quantile; None where the sample is too small. Its upper end is infinite when so many
    packets are lost that the quantile may lie among them."""
    values = np.sort(_delays(delays))
    ranks = quantile_ranks(len(values), p, level)
    if ranks is None:
        return None
    return Interval(float(values[ranks.low - 1]), float(values[ranks.high - 1]), level)


@dataclass(frozen=True, slots=True)
class WorstCase:
    """ "The share `share` of all packets takes at most `bound`, with confidence `level`"."""

    bound: float
    share: float
    level: float


def worst_case(delays: npt.ArrayLike, level: float = 0.95) -> WorstCase | None:
    """What the largest of the sample allows to claim (Wilks 1941); None when empty."""
    values = _delays(delays)
    if not len(values):
        return None
    return WorstCase(float(values.max()), float((1 - check_level(level)) ** (1 / len(values))), level)


def jitter_series(transits: npt.ArrayLike, start: float = 0.0) -> Floats:
    """Interarrival jitter after each packet pair (RFC 3550 section 6.4.1): J += (|D| - J) / 16.

    transits: arrival minus sending time, shape (n,), of received packets in order of arrival; a clock offset
    between the two cancels. start: J before the first pair. Shape (n - 1,).
    """
    steps = np.abs(np.diff(np.asarray(transits, np.float64)))
    return smoothed(steps, start)


def smoothed(steps: Floats, start: float = 0.0) -> Floats:
    """The filter J += (x - J) / 16 over `steps`, exact to rounding: all blocks side by side, then what each
    inherits from the one before is added."""
    keep, count = 15.0 / 16.0, len(steps)
    if not count:
        return np.zeros(0)
    rows = -(-count // _BLOCK)
    grid = np.zeros(rows * _BLOCK)
    np.multiply(steps, 1.0 / 16.0, out=grid[:count])
    grid = np.ascontiguousarray(grid.reshape(rows, _BLOCK).T)
    grid[0, 0] += keep * start
    scratch = np.empty(rows)
    for i in range(1, _BLOCK):
        np.multiply(grid[i - 1], keep, out=scratch)
        grid[i] += scratch
    carry = np.concatenate(([0.0], grid[-1, :-1]))
    grid[:640] += carry * keep ** np.arange(1, 641)[:, None]
    return grid.T.ravel()[:count]


@dataclass(frozen=True, slots=True)
class Jitter:
    """RFC 3550 jitter of a run. The final value remembers only some hundred packets, so mean and largest are
    given too. NaN from fewer than two packets."""

    final: float
    mean: float
    largest: float
    pairs: int


def jitter(transits: npt.ArrayLike) -> Jitter:
    """Final, mean and largest RFC 3550 jitter; lost packets (infinite) are left out, as the RFC does."""
    values = _delays(transits)
    series = jitter_series(values[np.isfinite(values)])
    if not len(series):
        return Jitter(math.nan, math.nan, math.nan, 0)
    return Jitter(float(series[-1]), float(series.mean()), float(series.max()), len(series))
