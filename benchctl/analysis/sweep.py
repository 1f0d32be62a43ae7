"""Sweeps: straight-line fits with intervals, nonlinearity, hysteresis, dead band, step response, joystick
samples."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, Ints, check_level, chi_square_quantile, student_quantile
from benchctl.errors import UsageError
from benchctl.terms import Interval


def _pairs(x: npt.ArrayLike, y: npt.ArrayLike, least: int) -> tuple[Floats, Floats]:
    a, b = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if a.shape != b.shape or a.ndim != 1 or len(a) < least:
        raise UsageError(f"at least {least} pairs are needed, got shapes {a.shape} and {b.shape}")
    return a, b


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A least-squares line y = offset + slope x.

    *_error: standard errors. residual_sd: standard deviation about the line, n - 2. r2: share of the variance
    explained. residuals: y minus line, shape (n,). nonlinearity: largest residual in size.
    """

    offset: float
    slope: float
    offset_error: float
    slope_error: float
    residual_sd: float
    r2: float
    residuals: Floats

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the residuals."""
        return len(self.residuals) - 2

    @property
    def nonlinearity(self) -> float:
        """Greatest distance of a point from the line."""
        return float(np.abs(self.residuals).max())

    @property
    def residual_squares(self) -> float:
        """Sum of the squared residuals."""
        return self.residual_sd**2 * self.freedom

    def slope_interval(self, level: float = 0.95) -> Interval:
        """By Student's t."""
        return _around(self.slope, self.slope_error, self.freedom, level)

    def offset_interval(self, level: float = 0.95) -> Interval:
        """By Student's t."""
        return _around(self.offset, self.offset_error, self.freedom, level)

    def at(self, x: npt.ArrayLike) -> Floats:
        """The line at x, any shape."""
        out: Floats = self.offset + self.slope * np.asarray(x, np.float64)
        return out


def _around(value: float, error: float, freedom: int, level: float) -> Interval:
    half = student_quantile((1 + check_level(level)) / 2, freedom) * error
    return Interval(value - half, value + half, level)


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike) -> Line:
    """Least squares, centred for accuracy. x, y: shape (n,), n at least 3. Raises UsageError for fewer pairs
    or when all x are equal."""
    a, b = _pairs(x, y, 3)
    mean_x, mean_y = float(a.mean()), float(b.mean())
    dx, dy = a - mean_x, b - mean_y
    sxx = float(dx @ dx)
    if sxx == 0:
        raise UsageError("a line needs at least two different x")
    slope = float(dx @ dy) / sxx
    residuals = dy - slope * dx
    squares, total = float(residuals @ residuals), float(dy @ dy)
    sd = math.sqrt(squares / (len(a) - 2))
    return Line(
        offset=mean_y - slope * mean_x,
        slope=slope,
        offset_error=sd * math.sqrt(1 / len(a) + mean_x**2 / sxx),
        slope_error=sd / math.sqrt(sxx),
        residual_sd=sd,
        r2=1 - squares / total if total else math.nan,
        residuals=residuals,
    )


@dataclass(frozen=True, slots=True)
class Endpoints:
    """Delivered values at the two ends of the commanded range, each with its interval from repeats."""

    low: float
    high: float
    low_interval: Interval | None
    high_interval: Interval | None


def endpoints(x: npt.ArrayLike, y: npt.ArrayLike, level: float = 0.95) -> Endpoints:
    """Mean y at the smallest and at the largest x; intervals where an end was visited at least twice."""
    a, b = _pairs(x, y, 2)
    low, high = b[a == a.min()], b[a == a.max()]
    return Endpoints(float(low.mean()), float(high.mean()), mean_interval(low, level), mean_interval(high, level))


def mean_interval(values: npt.ArrayLike, level: float = 0.95) -> Interval | None:
    """Student interval of a mean; None from fewer than two values."""
    v = np.asarray(values, np.float64)
    if len(v) < 2:
        return None
    return _around(float(v.mean()), float(v.std(ddof=1)) / math.sqrt(len(v)), len(v) - 1, level)


def deviation_interval(values: npt.ArrayLike, level: float = 0.95) -> Interval | None:
    """Interval of a standard deviation (noise, rms jitter) of normal values, by chi-square; None from fewer
    than two values. Heavy tails make the truth wider than this."""
    v = np.asarray(values, np.float64)
    if len(v) < 2:
        return None
    freedom, tail = len(v) - 1, (1 - check_level(level)) / 2
    squares = float(v.var(ddof=1)) * freedom
    low, high = chi_square_quantile(1 - tail, freedom), chi_square_quantile(tail, freedom)
    return Interval(math.sqrt(squares / low), math.sqrt(squares / high), level)


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Difference of the pass down from the pass up, in units of y.

    mean: over all common x, with interval; largest: in size, with the x where it is.
    """

    mean: float
    interval: Interval | None
    largest: float
    where: float


def hysteresis(x: npt.ArrayLike, y: npt.ArrayLike, rising: npt.ArrayLike, level: float = 0.95) -> Hysteresis:
    """From samples x, y of shape (n,) with `rising` true on the pass up. Raises UsageError when no x was
    visited on both passes."""
    a, b = _pairs(x, y, 2)
    up = np.asarray(rising, np.bool_)
    common = np.intersect1d(a[up], a[~up])
    if not len(common):
        raise UsageError("no commanded value was visited on both passes")
    gaps = np.array([b[~up & (a == c)].mean() - b[up & (a == c)].mean() for c in common])
    worst = int(np.argmax(np.abs(gaps)))
    return Hysteresis(float(gaps.mean()), mean_interval(gaps, level), float(gaps[worst]), float(common[worst]))


def against_order(y: npt.ArrayLike, rising: bool = True, tolerance: float = 0.0) -> int:
    """Steps of one pass, shape (n,), that go the wrong way by more than `tolerance`: 0 means monotonic."""
    steps = np.diff(np.asarray(y, np.float64)) * (1.0 if rising else -1.0)
    return int((steps < -tolerance).sum())


def dead_band(x: npt.ArrayLike, y: npt.ArrayLike, centre: float, tolerance: float) -> Interval:
    """Stretch of commanded x around `centre` in which y stays within `tolerance` of its value there.

    The level of the returned interval has no meaning. Raises UsageError for fewer than three pairs.
    """
    a, b = _pairs(x, y, 3)
    order = np.argsort(a, kind="stable")
    a, b = a[order], b[order]
    middle = int(np.argmin(np.abs(a - centre)))
    still = np.abs(b - b[middle]) <= tolerance
    low = middle - int(np.argmin(np.append(still[middle::-1], False))) + 1
    high = middle + int(np.argmin(np.append(still[middle:], False))) - 1
    return Interval(float(a[low]), float(a[high]))


@dataclass(frozen=True, slots=True, eq=False)
class AxisSamples:
    """A joystick axis moved from end to end, in converter counts.

    low, high: smallest and largest code. span: their distance. missing: codes between them that never came.
    """

    low: int
    high: int
    missing: Ints

    @property
    def span(self) -> int:
        """Counts from the lowest to the highest."""
        return self.high - self.low


def axis_samples(codes: npt.ArrayLike) -> AxisSamples:
    """Span and missing codes of samples, shape (n,). A code is only called missing when chance alone would
    hardly have skipped it: with m samples per code on average, a skipped one has probability exp(-m); below m
    = 10 no code is called missing. Raises UsageError without samples."""
    c = np.asarray(codes, np.int64)
    if not len(c):
        raise UsageError("an axis needs samples")
    low, high = int(c.min()), int(c.max())
    counts = np.bincount(c - low, minlength=high - low + 1)
    enough = len(c) >= 10 * len(counts)
    return AxisSamples(
        low, high, (np.flatnonzero(counts == 0) + low).astype(np.int64) if enough else np.zeros(0, np.int64)
    )


@dataclass(frozen=True, slots=True)
class RestSamples:
    """A joystick axis left alone: centre (mean) with interval, noise (standard deviation), peak to peak."""

    centre: float
    interval: Interval | None
    noise: float
    peak_to_peak: float


def rest_samples(codes: npt.ArrayLike, level: float = 0.95) -> RestSamples:
    """Centre and noise of samples at rest, shape (n,), n at least 2; the converter's step is never believed
    to be known better than its own scatter (1/sqrt 12 of a count)."""
    c, _ = _pairs(codes, codes, 2)
    noise = float(c.std(ddof=1))
    error = max(noise, 1 / math.sqrt(12)) / math.sqrt(len(c))
    return RestSamples(float(c.mean()), _around(float(c.mean()), error, len(c) - 1, level), noise, float(np.ptp(c)))
