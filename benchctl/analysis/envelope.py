"""A line seen through delays that only ever add: the lower edge of a cloud of points, with intervals.

Readings of a clock over a bus come late by at least some fixed time and often by much more (host scheduling,
USB frames, latency timers), so the truth is the lower edge. Near its edge the delay is taken to be
distributed like r^shape with unknown shape; scale and shape are integrated out, and with flat priors on level
and slope the posterior intervals are those of Pitman (1939, Biometrika 30, 391), whose coverage is exact for
a known shape. Points far above the edge carry no information and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, Ints, check_level
from benchctl.errors import UsageError

#: shapes that are weighed: 1 is a delay with a sharp edge (uniform, exponential), 2 the sum of two such
SHAPES = np.geomspace(0.4, 4.0, 14)
_LEVELS, _SLOPES = 48, 49
_FEWEST = 8


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The lower edge of a cloud, as a line.

    centre: time at which `level` holds. level, slope: posterior means. bound, bound_slope: the highest line
    under all points, which the true edge is never above at `centre`. level_error, slope_error: standard
    deviations. points: how many near the edge were used. slopes, weights: the posterior of the slope, sorted.
    """

    centre: float
    level: float
    slope: float
    bound: float
    bound_slope: float
    level_error: float
    slope_error: float
    points: int
    slopes: Floats
    weights: Floats

    def slope_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Equal-tailed interval of the slope."""
        tail = (1 - check_level(level)) / 2
        low, high = weighted_quantiles(self.slopes, self.weights, np.array([tail, 1 - tail]))
        return float(low), float(high)

    def quantiles(self, count: int = 201) -> Floats:
        """`count` equally likely values of the slope."""
        return weighted_quantiles(self.slopes, self.weights, (np.arange(count) + 0.5) / count)


def weighted_quantiles(values: Floats, weights: Floats, shares: Floats) -> Floats:
    """Quantiles of sorted `values` that carry `weights`, linear between the middles of the weights."""
    middles = np.cumsum(weights) - weights / 2
    return np.interp(shares, middles / weights.sum(), values)


def touching_line(times: Floats, values: Floats) -> tuple[float, float]:
    """Highest line under all points at time 0: (level, slope). `times` must be on both sides of 0.

    The level as a function of the slope is concave and made of straight pieces; ternary search."""
    steep = np.abs(np.diff(values)) / np.maximum(np.abs(np.diff(times)), 1e-12)
    low, high = -float(steep.max(initial=0)) - 1e-9, float(steep.max(initial=0)) + 1e-9
    for _ in range(120):
        third = (high - low) / 3
        left, right = low + third, high - third
        if (values - left * times).min() < (values - right * times).min():
            low = left
        else:
            high = right
        if high - low < 1e-15 + 1e-12 * abs(high):
            break
    slope = (low + high) / 2
    return float((values - slope * times).min()), slope


def lower_edge(times: npt.ArrayLike, values: npt.ArrayLike) -> Edge:
    """The lower edge of `values` over `times`, both of shape (n,), n at least 8.

    Raises UsageError for fewer points or when all times are equal.
    """
    t, y = np.asarray(times, np.float64), np.asarray(values, np.float64)
    if t.shape != y.shape or len(t) < _FEWEST:
        raise UsageError(f"an edge needs at least {_FEWEST} points, got {t.shape}")
    span = float(np.ptp(t))
    if span == 0:
        raise UsageError("an edge needs points at different times")
    centre = float((t.max() + t.min()) / 2)
    u = (t - centre) / span
    base = float(np.median(y))
    level, slope = touching_line(u, y - base)
    above = y - base - level - slope * u
    count = min(len(t), max(_FEWEST, min(160, len(t) // 6)))
    near = np.unique(np.concatenate((np.argpartition(above, count - 1)[:count], _lowest_each_side(u, above))))
    count = len(near)
    cut = max(float(above[near].max()), 1e-9)
    posterior = _posterior(u[near], above[near] / cut, u)
    levels, slopes, weights = posterior
    mean_level, mean_slope = float(weights @ levels), float(weights @ slopes)
    order = np.argsort(slopes)
    return Edge(
        centre=centre,
        level=base + level + cut * mean_level,
        slope=(slope + cut * mean_slope) / span,
        bound=base + level,
        bound_slope=slope / span,
        level_error=cut * float(np.sqrt(weights @ (levels - mean_level) ** 2)),
        slope_error=cut * float(np.sqrt(weights @ (slopes - mean_slope) ** 2)) / span,
        points=count,
        slopes=(slope + cut * slopes[order]) / span,
        weights=weights[order],
    )


def _lowest_each_side(u: Floats, above: Floats) -> Ints:
    """A point on each side of the centre, without which the slope would have no end."""
    return np.array([int(np.argmin(np.where(side, above, np.inf))) for side in (u > 0, u < 0)], np.int64)


def _posterior(u: Floats, above: Floats, design: Floats) -> tuple[Floats, Floats, Floats]:
    """Posterior over lines relative to the touching one, heights in units of the cut: level, slope, weight.

    The points below the cut are a Poisson process of density shape * c * r^(shape - 1); c is integrated out
    under the prior 1/c, which leaves (mean of (cut - line)^shape over the times) to the power -points.
    """
    depth = np.geomspace(1e-5, 3.0, _LEVELS)
    height = above[None, :] + depth[:, None]
    right, left = u > 0, u < 0
    most = (height[:, right] / u[right]).min(axis=1)
    least = (height[:, left] / u[left]).max(axis=1)
    share = (np.arange(_SLOPES) + 0.5) / _SLOPES
    share = share * share * (3 - 2 * share)  # finer towards the ends, where few points block the line
    slopes = least[:, None] + (most - least)[:, None] * share
    cells = np.gradient(share)
    room = height[:, None, :] - slopes[:, :, None] * u
    logs = np.log(np.maximum(room, 1e-12)).sum(axis=2)
    marks = np.quantile(design, (np.arange(16) + 0.5) / 16)
    reach = np.maximum(1.0 + depth[:, None, None] - slopes[:, :, None] * marks, 1e-9)
    count = len(u)
    scores = np.array([count * np.log(a) + (a - 1) * logs - count * np.log((reach**a).mean(axis=2)) for a in SHAPES])
    total = np.exp(scores - scores.max()).sum(axis=0)
    weights = total * ((most - least) * depth)[:, None] * cells
    weights /= weights.sum()
    levels = np.broadcast_to(-depth[:, None], slopes.shape)
    return levels.ravel(), slopes.ravel(), weights.ravel()
