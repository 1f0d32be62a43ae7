"""A slowly wandering quantity tracked through noisy samples: value, slope and honest intervals at any time.

The model is a straight line plus a bend plus an integrated random walk plus white noise, which is what an
oscillator does that warms up and whose rate wanders (its phase is the integral of its rate). Without the bend
the estimate is the smoothing spline of Wahba (1978, J. R. Stat. Soc. B 40, 364); with a spline alone a steady
drift would be smoothed away near the ends. The sizes of bend and wander against the noise are not known: a
grid of them is weighed by restricted likelihood, so that the doubt about them is part of the interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, check_level, student_quantile
from benchctl.errors import UsageError

#: most knots: samples are averaged in blocks down to this number, which also evens out short-lived correlation
KNOTS = 48
#: variances of wander and of bend that are weighed, for a record of length 1 and noise of variance 1 in a block
WANDERS = (0.0, *np.geomspace(1.0, 1e9, 13).tolist())
BENDS = (1e-6, *np.geomspace(1e1, 1e11, 6).tolist())
_FEWEST = 4
#: level, slope and bend: with few knots the noise is told from what these leave over
_FITTED = 3
_CHUNK = 65_536


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """The solution for one size of wander and bend: what prediction needs."""

    weight: float
    wander: float
    scale: float  # variance of the noise in a block
    curve: Floats  # (3,) level, slope, bend
    pull: Floats  # (knots,)
    inverse: Floats  # (knots, knots)
    doubt: Floats  # (3, 3) covariance of `curve` for noise of variance 1


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The fitted course; made by `fit_track`.

    start, length: time of the first knot and span of the knots. noise: standard deviation of a single sample.
    """

    start: float
    length: float
    noise: float
    samples: int
    knots: Floats
    candidates: tuple[_Candidate, ...]

    def value(self, times: npt.ArrayLike) -> Floats:
        """Best estimate at `times`, any shape."""
        u = self._unit(times)
        flat = u.ravel()
        parts = [self._mean(flat[i : i + _CHUNK]) for i in range(0, len(flat), _CHUNK)]
        return np.concatenate(parts).reshape(u.shape) if parts else u

    def half_width(self, times: npt.ArrayLike, level: float = 0.95) -> Floats:
        """Half the interval of the value at `times`, shape (k,)."""
        u = np.atleast_1d(self._unit(times))
        spots = u if len(u) <= 64 else np.linspace(u.min(), u.max(), 257)
        parts = [self._covariance(_values(spots[i : i + 64])) for i in range(0, len(spots), 64)]
        spread = np.sqrt(np.concatenate([np.diag(c) for c in parts]))
        out: Floats = self._quantile(level) * (spread if spots is u else np.interp(u, spots, spread))
        return out

    def slope(self, time: float, level: float = 0.95) -> tuple[float, float]:
        """Slope at one time and half its interval, per unit of time."""
        return self._functional(_Query(self._unit([time]), np.ones(1, np.bool_), np.ones(1)), level)

    def mean_slope(self, first: float, last: float, level: float = 0.95) -> tuple[float, float]:
        """Mean slope between two times and half its interval."""
        span = (last - first) / self.length
        query = _Query(self._unit([first, last]), np.zeros(2, np.bool_), np.array([-1.0, 1.0]) / span)
        return self._functional(query, level)

    def _functional(self, query: _Query, level: float) -> tuple[float, float]:
        mean = self._combined(query) / self.length
        spread = float(np.sqrt(query.factors @ self._covariance(query) @ query.factors)) / self.length
        return mean, self._quantile(level) * spread

    def _unit(self, times: npt.ArrayLike) -> Floats:
        return (np.asarray(times, np.float64) - self.start) / self.length

    def _quantile(self, level: float) -> float:
        return student_quantile((1 + check_level(level)) / 2, len(self.knots) - _FITTED)

    def _mean(self, u: Floats) -> Floats:
        curve = np.sum([c.weight * c.curve for c in self.candidates], axis=0)
        pull = np.sum([c.weight * c.wander * c.pull for c in self.candidates], axis=0)
        out: Floats = _curve(u) @ curve + _kernel(u, self.knots) @ pull
        return out

    def _combined(self, query: _Query) -> float:
        return float(query.factors @ np.sum([c.weight * self._at(c, query) for c in self.candidates], axis=0))

    def _at(self, c: _Candidate, query: _Query) -> Floats:
        out: Floats = query.basis() @ c.curve + c.wander * (query.against(self.knots) @ c.pull)
        return out

    def _covariance(self, query: _Query) -> Floats:
        """Of the queried values: within each candidate, and between the candidates."""
        means = np.array([self._at(c, query) for c in self.candidates])
        weights = np.array([c.weight for c in self.candidates])
        between = means - weights @ means
        total = (between.T * weights) @ between
        basis, cross, own, curve = query.basis(), query.against(self.knots), query.own(), _curve(self.knots)
        for c in self.candidates:
            gain = c.wander * cross @ c.inverse
            rest = basis - gain @ curve
            within = c.wander * (own - gain @ cross.T) + rest @ c.doubt @ rest.T
            total += c.weight * c.scale * within
        out: Floats = total
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Query:
    """Values (or, where `steep`, slopes) at unit times, to be summed with `factors`."""

    times: Floats
    steep: npt.NDArray[np.bool_]
    factors: Floats

    def basis(self) -> Floats:
        """Level, slope and bend at the queried times, shape (k, 3)."""
        slopes = np.column_stack((np.zeros(len(self.times)), np.ones(len(self.times)), 2 * self.times - 1))
        return np.where(self.steep[:, None], slopes, _curve(self.times))

    def against(self, knots: Floats) -> Floats:
        """Covariance of the queried wander with that at the knots."""
        return np.where(self.steep[:, None], _slope_kernel(self.times, knots), _kernel(self.times, knots))

    def own(self) -> Floats:
        """Covariance of the queried wander with itself; slopes are asked one at a time."""
        return np.diag(np.abs(self.times)) if self.steep.any() else _kernel(self.times, self.times)


def _curve(u: Floats) -> Floats:
    """Level, slope and bend; the bend is 0 at both ends, which keeps the three apart."""
    return np.column_stack((np.ones(len(u)), u, u * u - u))


def _values(u: Floats) -> _Query:
    return _Query(u, np.zeros(len(u), np.bool_), np.ones(len(u)))


def _kernel(a: Floats, b: Floats) -> Floats:
    """Covariance of an integrated random walk that starts at 0 and runs both ways."""
    s, t = np.abs(a)[:, None], np.abs(b)[None, :]
    low, high = np.minimum(s, t), np.maximum(s, t)
    out: Floats = np.where(np.sign(a)[:, None] * np.sign(b)[None, :] > 0, low * low * (3 * high - low) / 6, 0.0)
    return out


def _slope_kernel(a: Floats, b: Floats) -> Floats:
    """Covariance of the walk itself at `a` with its integral at `b`."""
    s, t = np.abs(a)[:, None], np.abs(b)[None, :]
    both = np.where(s <= t, s * t - s * s / 2, t * t / 2) * np.sign(b)[None, :]
    return np.where(np.sign(a)[:, None] * np.sign(b)[None, :] > 0, both, 0.0)


def in_blocks(times: Floats, values: Floats, blocks: int = KNOTS) -> tuple[Floats, Floats, Floats]:
    """Means of times and values over consecutive blocks of as even size as possible, and the sizes."""
    edges = np.linspace(0, len(times), min(blocks, len(times)) + 1).astype(np.int64)
    sizes = np.diff(edges).astype(np.float64)
    return (
        np.add.reduceat(times, edges[:-1]) / sizes,
        np.add.reduceat(values, edges[:-1]) / sizes,
        sizes,
    )


def fit_track(times: npt.ArrayLike, values: npt.ArrayLike, variances: npt.ArrayLike | None = None) -> Track:
    """The course through samples.

    times: ascending, shape (n,), n at least 4; values: shape (n,). variances: relative noise variance of each
    sample, all alike when None. From ten samples on the 95 % intervals cover 95 %, with fewer about 90 %: too
    few to tell wander from noise. Raises UsageError for too few samples or times that do not ascend.
    """
    t, y = np.asarray(times, np.float64), np.asarray(values, np.float64)
    if t.shape != y.shape or len(t) < _FEWEST:
        raise UsageError(f"tracking needs at least {_FEWEST} samples with a time each, got {t.shape}")
    if (np.diff(t) < 0).any() or t[-1] <= t[0]:
        raise UsageError("tracking needs samples in ascending order of time")
    if variances is None:
        at, mean, sizes = in_blocks(t, y)
        rough = 1.0 / sizes
    else:
        at, mean, sizes = t, y, np.ones(len(t))
        rough = np.asarray(variances, np.float64)
    relative = rough / np.mean(rough)
    start, length = float(at[0]), float(at[-1] - at[0])
    u = (at - start) / length
    found = _weigh(u, mean, relative)
    block = sum(c.weight * c.scale for c in found)
    noise = float(np.sqrt(block / np.mean(rough))) if variances is None else float(np.sqrt(block))
    return Track(start, length, noise, len(t), u, found)


def _weigh(u: Floats, y: Floats, relative: Floats) -> tuple[_Candidate, ...]:
    """One candidate a size of wander and bend, weighed by restricted likelihood; those of no weight are
    dropped."""
    walk = _kernel(u, u)
    solved = [one for w in WANDERS for one in _solve(u, y, np.diag(relative) + w * walk, w)]
    scores = np.array([score for _, score in solved])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    kept = weights > 1e-4
    weights = np.where(kept, weights, 0.0) / weights[kept].sum()
    return tuple(
        _Candidate(float(w), c.wander, c.scale, c.curve, c.pull, c.inverse, c.doubt)
        for (c, _), w in zip(solved, weights, strict=True)
        if w > 0
    )


def _solve(u: Floats, y: Floats, whole: Floats, wander: float) -> list[tuple[_Candidate, float]]:
    """One size of wander with all sizes of bend; the bend is a coefficient with a normal prior."""
    curve, freedom = _curve(u), len(u) - 2  # the bend has a prior and costs no freedom in the likelihood
    inverse = np.linalg.inv(whole).astype(np.float64)
    weighted = curve.T @ inverse
    size = float(np.linalg.slogdet(whole)[1])
    out = []
    for bend in BENDS:
        seen = weighted @ curve + np.diag([0.0, 0.0, 1.0 / bend])
        doubt = np.linalg.inv(seen).astype(np.float64)
        found = doubt @ (weighted @ y)
        rest = y - curve @ found
        pull = inverse @ rest
        squares = max(float(rest @ pull) + float(found[2]) ** 2 / bend, 1e-30)
        dets = size + float(np.linalg.slogdet(seen)[1]) + np.log(bend)
        score = -0.5 * (freedom * np.log(squares) + dets)
        out.append((_Candidate(0.0, wander, squares / (len(u) - _FITTED), found, pull, inverse, doubt), float(score)))
    return out
