"""Quantiles and tail probabilities used by the analysis, one place for them.

`scipy.special` is imported inside the functions: it costs 0.4 s, and most commands never need it.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from benchctl.errors import UsageError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_NORMAL = NormalDist()


def normal_quantile(p: float) -> float:
    """z with P(Z <= z) = p."""
    return _NORMAL.inv_cdf(p)


def normal_tail(z: float) -> float:
    """P(Z > z), also for large z."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def student_quantile(p: float, freedom: float) -> float:
    """t with P(T <= t) = p for `freedom` degrees of freedom (need not be whole)."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, p))


def student_cdf(t: float, freedom: float) -> float:
    """P(T <= t)."""
    from scipy.special import stdtr

    return float(stdtr(freedom, t))


def beta_quantile(p: float, a: float, b: float) -> float:
    """x with I_x(a, b) = p."""
    from scipy.special import betaincinv

    return float(betaincinv(a, b, p))


def chi_square_quantile(p: float, freedom: float) -> float:
    """x with P(X <= x) = p."""
    from scipy.special import chdtri

    return float(chdtri(freedom, 1.0 - p))


def binomial_cdf(k: npt.ArrayLike, n: npt.ArrayLike, p: npt.ArrayLike) -> Floats:
    """P(X <= k) for X binomial (n, p), elementwise; 0 below 0 and 1 from n on."""
    from scipy.special import betainc

    hits, trials, chance = np.broadcast_arrays(
        np.floor(np.asarray(k, np.float64)), np.asarray(n, np.float64), np.asarray(p, np.float64)
    )
    inside = (hits >= 0) & (hits < trials)
    out = np.where(hits >= trials, 1.0, 0.0)
    out[inside] = betainc(trials[inside] - hits[inside], hits[inside] + 1, 1.0 - chance[inside])
    return out


def check_level(level: float) -> float:
    """The level itself. Raises UsageError unless 0 < level < 1."""
    if not 0 < level < 1:
        raise UsageError(f"confidence level {level} is not between 0 and 1")
    return level


def check_counts(hits: int, trials: int) -> None:
    """Raises UsageError unless 0 <= hits <= trials."""
    if not 0 <= hits <= trials:
        raise UsageError(f"{hits} out of {trials} is not a count out of a number of trials")
