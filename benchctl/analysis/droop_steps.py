"""A droop seen by a converter whose steps are coarse against the noise: what the steps themselves say.

The processor's rail against its band-gap has steps of 20 mV and more, and a quiet rail stays within one of them for
many samples: what is left over then is no noise about the course, and least squares takes the steps for its shape.
The conversions are therefore taken as what they are, "between this step and the next", and the course is the one that
makes them likeliest (interval-censored maximum likelihood); least squares is only where the search begins.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchctl.analysis.droop_shapes import Columns, Course, Fit
from benchctl.analysis.tails import Floats

#: noise of one conversion in steps where the search begins, and at least; share of conversions that may be anything
_BEGIN, _LEAST, _ASTRAY = 0.15, 0.02, 1e-3
#: noise from which on steps are blurred enough for least squares
_BLURRED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """to_code: volts to the scale whose whole numbers are the converter's steps. counts: conversions of each sample."""

    to_code: Callable[[Floats], Floats]
    counts: Floats


def likeliest(found: Fit, columns_of: Columns, t: Floats, v: Floats, course: Course, steps: Steps) -> Fit:
    """The fit moved to where the codes are likeliest; `found` itself where they are too noisy to say more.

    Its covariance is by the curvature of the likelihood, in the units that `Fit` has.
    """
    from scipy.optimize import minimize

    code = steps.to_code(v)
    low = np.floor(code + 1e-9)
    above = np.clip(code - low, 0.0, 1.0)  # share of the conversions that were one step further

    def cost(p: Floats) -> float:
        *coefficients, log_tau, log_noise = p
        if not -20 < log_tau < 20 or coefficients[1] < 0:
            return math.inf
        volts = columns_of(t, math.exp(log_tau), course) @ np.array(coefficients)
        if volts.min() <= 0:
            return math.inf
        here = steps.to_code(volts)
        return float(-steps.counts @ _log_shares(here, low, above, max(math.exp(log_noise), _LEAST)))

    step = float(v.max()) / max(float(code.max()), 1.0)
    start = np.concatenate((found.coefficients, [found.log_tau, math.log(_BEGIN)]))
    spread = np.concatenate((np.full(len(found.coefficients), 0.4 * step), [0.15, 0.7]))
    corners = np.vstack((start, start + np.diag(spread)))
    options = {"initial_simplex": corners, "maxfev": 1500, "xatol": 1e-4, "fatol": 1e-3}
    best = minimize(cost, start, method="Nelder-Mead", options=options)
    if not math.isfinite(best.fun) or math.exp(best.x[-1]) > _BLURRED:
        return found
    p = np.asarray(best.x, np.float64)
    covariance = _covariance(cost, p, np.concatenate((np.full(len(p) - 2, 0.1 * step), [0.03, 0.1])))
    rest = v - columns_of(t, math.exp(p[-2]), course) @ p[:-2]
    squares = float(rest @ rest)
    moved = replace(found, coefficients=p[:-2], log_tau=float(p[-2]), squares=squares)
    if covariance is None:
        return moved
    return replace(moved, covariance=covariance / max(moved.noise**2, (step / math.sqrt(12)) ** 2))


def _log_shares(code: Floats, low: Floats, above: Floats, noise: float) -> Floats:
    """Mean log likelihood of a sample's conversions."""
    from scipy.special import ndtr

    below, middle, top = (ndtr((code - low - k) / noise) for k in (0.0, 1.0, 2.0))
    here, there = below - middle, middle - top
    out: Floats = (1 - above) * np.log(here + _ASTRAY) + above * np.log(there + _ASTRAY)
    return out


def _covariance(cost: Callable[[Floats], float], at: Floats, steps: Floats) -> Floats | None:
    """Of all but the last parameter; None where the cost does not bend upwards."""
    size = len(at)
    moves = np.diag(steps)
    curve = np.empty((size, size))
    for i in range(size):
        for j in range(i + 1):
            signs = ((1, 1), (1, -1), (-1, 1), (-1, -1))
            four = [a * b * cost(at + a * moves[i] + b * moves[j]) for a, b in signs]
            curve[i, j] = curve[j, i] = sum(four) / (4 * steps[i] * steps[j])
    if not np.all(np.isfinite(curve)):
        return None
    try:
        np.linalg.cholesky(curve)
    except np.linalg.LinAlgError:
        return None
    return np.linalg.inv(curve)[:-1, :-1].astype(np.float64)
