"""A supply rail under a known load step: source resistance, capacitance and ESR from the waveform.

The rail is a source `volts` behind `ohms`, with a capacitor of `farad` and series resistance `esr` across it;
the load draws a known current more from time 0 to `until`. By superposition the rail drops at once by I *
(ohms || esr), then towards I * ohms with the time constant (ohms + esr) * farad, and recovers the same way. A
regulator at its current limit behaves otherwise: the rail then falls on a straight line, and the slope is the
current it lacks over the capacitance. The better of the two is taken by their residuals. Volts, amperes,
ohms, µF and µs.

A conversion that measures the rail against itself sees the mean over its aperture, which is part of the
model.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Floats, check_level, student_quantile
from benchctl.errors import UsageError
from benchctl.terms import Interval

_FEWEST = 8
_STEPS = 40


@dataclass(frozen=True, slots=True)
class Estimate:
    """A fitted quantity with its interval; the interval is None where the data do not bound it."""

    value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True, eq=False)
class Droop:
    """A fitted droop.

    shape: "exponential" or "ramp". rest: volts before the load. amplitude: volts from rest to the lowest
    point of the load phase. lowest: that voltage. tau: time constant, µs; NaN for a ramp. slope: V/µs of a
    ramp; NaN for an exponential. source: ohms; capacity: µF; esr: ohms. For a ramp, source is unknown (NaN)
    and capacity is what the whole load current would need: an upper bound when the regulator still delivers
    its limit. noise: standard deviation of one sample. samples: how many.
    """

    shape: str
    rest: Estimate
    amplitude: Estimate
    lowest: Estimate
    tau: Estimate
    slope: Estimate
    source: Estimate
    capacity: Estimate
    esr: Estimate
    noise: float
    samples: int


_UNKNOWN = Estimate(math.nan, None)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Least squares with one parameter that is not linear: columns(x) @ coefficients."""

    log_tau: float
    coefficients: Floats
    covariance: Floats  # of (coefficients, log_tau)
    squares: float
    freedom: int
    determined: bool

    @property
    def noise(self) -> float:
        return math.sqrt(self.squares / self.freedom)


def step_mean(times: Floats, aperture: float) -> Floats:
    """Mean of a unit step at 0 over [t, t + aperture]."""
    if aperture <= 0:
        return (times >= 0).astype(np.float64)
    out: Floats = (np.maximum(times + aperture, 0) - np.maximum(times, 0)) / aperture
    return out


def rise_mean(times: Floats, tau: float, aperture: float) -> Floats:
    """Mean of (1 - exp(-t/tau)) from time 0 on, over [t, t + aperture]."""
    if aperture <= 0:
        return -np.expm1(-np.maximum(times, 0) / tau)

    def area(t: Floats) -> Floats:
        after = np.maximum(t, 0)
        out: Floats = after + tau * np.expm1(-after / tau)
        return out

    return (area(times + aperture) - area(times)) / aperture


def ramp_mean(times: Floats, aperture: float) -> Floats:
    """Mean of max(t, 0) over [t, t + aperture]."""
    if aperture <= 0:
        return np.maximum(times, 0)
    out: Floats = (np.maximum(times + aperture, 0) ** 2 - np.maximum(times, 0) ** 2) / (2 * aperture)
    return out


def fit_droop(
    times: npt.ArrayLike,
    volts: npt.ArrayLike,
    amps: float,
    *,
    until: float = math.inf,
    aperture: float = 0.0,
    lsb: float = 0.0,
    level: float = 0.95,
) -> Droop:
    """Fit a droop waveform.

    times: µs from the start of the load, shape (n,), any order, some before 0; volts: shape (n,), n at least
    8. amps: the load step, more than 0. until: when the load ends. aperture: µs after the time stamp over
    which a sample is the mean, 0 for sample and hold. lsb: volts of one converter step, below whose own
    scatter (lsb / sqrt 12) the noise is not believed. Raises UsageError for too few samples or when none lies
    in the load phase.
    """
    t, v = np.asarray(times, np.float64), np.asarray(volts, np.float64)
    if t.shape != v.shape or len(t) < _FEWEST or amps <= 0:
        raise UsageError(f"a droop needs at least {_FEWEST} samples and a load step above 0 A, got {t.shape}, {amps} A")
    loaded = (t >= 0) & (t < until)
    if loaded.sum() < 4:
        raise UsageError("a droop needs at least 4 samples while the load is on")
    exponential = _exponential(t, v, until, aperture)
    ramp_until = t + aperture <= until
    ramp = _ramp(t[ramp_until], v[ramp_until], aperture)
    end = min(until, float(t.max()) + aperture)
    same = _exponential(t[ramp_until], v[ramp_until], math.inf, aperture)
    if ramp is not None and _ramp_wins(same, ramp, end):
        return _as_ramp(ramp, amps, end, lsb, int(ramp_until.sum()), level)
    return _as_exponential(exponential, amps, end, lsb, len(t), level)


def _ramp_wins(exponential: _Fit, ramp: _Fit, end: float) -> bool:
    """A straight line is an exponential of endless time constant with one parameter less: it is taken when
    the bend is not worth its parameter (Schwarz 1978) or bends the wrong way round."""
    count = ramp.freedom + len(ramp.coefficients)
    gain = count * math.log(max(ramp.squares, 1e-30) / max(exponential.squares, 1e-30))
    return gain < math.log(count) or math.exp(exponential.log_tau) > 20 * end


def _columns(t: Floats, tau: float, until: float, aperture: float) -> Floats:
    """Rest, instant drop and slow drop as functions of time."""
    instant, slow = step_mean(t, aperture), rise_mean(t, tau, aperture)
    if math.isfinite(until):
        instant = instant - step_mean(t - until, aperture)
        slow = slow - rise_mean(t - until, tau, aperture)
    return np.column_stack((np.ones(len(t)), -instant, -slow))


def _exponential(t: Floats, v: Floats, until: float, aperture: float) -> _Fit:
    """Best time constant on a grid, refined; the rest is linear (variable projection, Golub and Pereyra
    1973)."""
    after = np.sort(t[t > 0])
    shortest = max(aperture / 4, float(after[0]) / 2 if len(after) else 1.0, 1e-3)
    longest = 100 * float(np.ptp(t))

    def squares(log_tau: float) -> float:
        return _solve(_columns(t, math.exp(log_tau), until, aperture), v)[1]

    grid = np.linspace(math.log(shortest), math.log(longest), _STEPS)
    best = int(np.argmin([squares(float(x)) for x in grid]))
    low, high = float(grid[max(0, best - 1)]), float(grid[min(_STEPS - 1, best + 1)])
    log_tau = _golden(squares, low, high)
    columns = _columns(t, math.exp(log_tau), until, aperture)
    coefficients, rest = _solve(columns, v)
    step = 1e-4
    bend = (
        _columns(t, math.exp(log_tau + step), until, aperture) - _columns(t, math.exp(log_tau - step), until, aperture)
    ) @ coefficients
    jacobian = np.column_stack((columns, bend / (2 * step)))
    return _finish(jacobian, log_tau, coefficients, rest, 0 < best < _STEPS - 1)


def _ramp(t: Floats, v: Floats, aperture: float) -> _Fit | None:
    """Rest, instant drop and straight fall, over the load phase only."""
    if len(t) < _FEWEST:
        return None
    columns = np.column_stack((np.ones(len(t)), -step_mean(t, aperture), -ramp_mean(t, aperture)))
    coefficients, squares = _solve(columns, v)
    return _finish(columns, math.nan, coefficients, squares, True)


def _solve(columns: Floats, v: Floats) -> tuple[Floats, float]:
    scale = np.linalg.norm(columns, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    found = np.linalg.lstsq(columns / scale, v, rcond=1e-12)[0] / scale
    rest = v - columns @ found
    return found, float(rest @ rest)


def _finish(jacobian: Floats, log_tau: float, coefficients: Floats, squares: float, sure: bool) -> _Fit:
    freedom = max(1, len(jacobian) - jacobian.shape[1])
    covariance = np.linalg.pinv(jacobian.T @ jacobian).astype(np.float64)
    return _Fit(log_tau, coefficients, covariance, squares, freedom, sure)


def _golden(function: Callable[[float], float], low: float, high: float) -> float:
    """Minimum between low and high by golden section."""
    ratio = (math.sqrt(5) - 1) / 2
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    at_a, at_b = function(a), function(b)
    for _ in range(48):
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - ratio * (high - low)
            at_a = function(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + ratio * (high - low)
            at_b = function(b)
    return (low + high) / 2


class _Derived:
    """Functions of fitted parameters with intervals: a numerical gradient and the parameters' covariance."""

    def __init__(self, fit: _Fit, lsb: float, level: float) -> None:
        extra = [] if math.isnan(fit.log_tau) else [fit.log_tau]
        self._at = np.concatenate((fit.coefficients, extra))
        self._covariance = fit.covariance * max(fit.noise, lsb / math.sqrt(12)) ** 2
        self._factor = student_quantile((1 + check_level(level)) / 2, fit.freedom)
        self._level = level

    def of(self, function: Callable[[Floats], float], *, positive: bool = False) -> Estimate:
        """The function at the fit; `positive` quantities get their interval on a logarithmic scale."""
        value = function(self._at)
        if not math.isfinite(value):
            return _UNKNOWN
        if positive and value > 0:
            half = self._half(lambda p: math.log(max(function(p), 1e-300)))
            bounded = half < 5
            return Estimate(value, self._interval(value * math.exp(-half), value * math.exp(half)) if bounded else None)
        half = self._half(function)
        return Estimate(value, self._interval(value - half, value + half))

    def _interval(self, low: float, high: float) -> Interval | None:
        return Interval(low, high, self._level) if math.isfinite(low) and math.isfinite(high) else None

    def _half(self, function: Callable[[Floats], float]) -> float:
        steps = 1e-6 * np.maximum(np.abs(self._at), 1e-4)
        pairs = [(self._at + d, self._at - d, s) for d, s in zip(np.diag(steps), steps, strict=True)]
        gradient = np.array([(function(up) - function(down)) / (2 * s) for up, down, s in pairs])
        variance = float(gradient @ self._covariance @ gradient)
        return self._factor * math.sqrt(max(variance, 0.0))


def _as_exponential(fit: _Fit, amps: float, end: float, lsb: float, count: int, level: float) -> Droop:
    """Parameters are (rest, instant, slow, log tau)."""
    derived = _Derived(fit, lsb, level)

    def depth(p: Floats) -> float:
        return float(p[1] - p[2] * math.expm1(-end / math.exp(p[3])))

    def esr(p: Floats) -> float:
        # ohms || esr = p1 / I and ohms = (p1 + p2) / I
        return float(p[1] * (p[1] + p[2]) / (p[2] * amps)) if p[2] > 0 else math.nan

    def capacity(p: Floats) -> float:
        total = (p[1] + p[2]) / amps + esr(p)
        return float(math.exp(p[3]) / total) if total > 0 else math.nan

    return Droop(
        shape="exponential",
        rest=derived.of(lambda p: float(p[0])),
        amplitude=derived.of(depth),
        lowest=derived.of(lambda p: float(p[0]) - depth(p)),
        tau=derived.of(lambda p: math.exp(p[3]), positive=True) if fit.determined else _UNKNOWN,
        slope=_UNKNOWN,
        source=derived.of(lambda p: float(p[1] + p[2]) / amps),
        capacity=derived.of(capacity, positive=True) if fit.determined else _UNKNOWN,
        esr=derived.of(esr),
        noise=fit.noise,
        samples=count,
    )


def _as_ramp(fit: _Fit, amps: float, end: float, lsb: float, count: int, level: float) -> Droop:
    """Parameters are (rest, instant, slope)."""
    derived = _Derived(fit, lsb, level)
    return Droop(
        shape="ramp",
        rest=derived.of(lambda p: float(p[0])),
        amplitude=derived.of(lambda p: float(p[1] + p[2] * end)),
        lowest=derived.of(lambda p: float(p[0] - p[1] - p[2] * end)),
        tau=_UNKNOWN,
        slope=derived.of(lambda p: -float(p[2])),
        source=_UNKNOWN,
        capacity=derived.of(lambda p: amps / float(p[2]) if p[2] > 0 else math.nan, positive=True),
        esr=derived.of(lambda p: float(p[1]) / amps),
        noise=fit.noise,
        samples=count,
    )
