"""Courses of a rail under a load step, each linear in all but one time, and their least-squares fits.

exponential: a source behind a resistance, a capacitor with its ESR. ramp: a regulator at its limit. recovering: a
regulator that answers late: the capacitor carries the load at first, then the regulator brings the rail back. Its
loop is taken as critically damped, with integrator: v'' + 2 v'/T + v/T² = const, load on the capacitor. A sample may
be the mean over an aperture after its time stamp. Volts and µs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchctl.analysis.tails import Floats

FEWEST = 8
_STEPS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
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


def dip_mean(times: Floats, tau: float, aperture: float) -> tuple[Floats, Floats]:
    """Means over [t, t + aperture] of exp(-s) and s·exp(-s) with s = t/tau, both 0 before time 0."""
    if aperture <= 0:
        s = np.maximum(times, 0) / tau
        on, fall = times >= 0, np.exp(-s)
        return np.where(on, fall, 0.0), np.where(on, s * fall, 0.0)

    def areas(t: Floats) -> tuple[Floats, Floats]:
        s = np.maximum(t, 0) / tau
        fall = np.exp(-s)
        return tau * (1 - fall), tau * (1 - fall * (1 + s))

    late, early = areas(times + aperture), areas(times)
    return (late[0] - early[0]) / aperture, (late[1] - early[1]) / aperture


@dataclass(frozen=True, slots=True)
class Course:
    """When the load is on and how a sample is taken.

    until: µs at which it ends. aperture: µs over which a sample is the mean. rises: (µs, share of the whole step), for
    a load that comes in several steps.
    """

    until: float = math.inf
    aperture: float = 0.0
    rises: tuple[tuple[float, float], ...] = ((0.0, 1.0),)

    def endless(self) -> Course:
        return replace(self, until=math.inf)

    def of(self, t: Floats, answer: Callable[[Floats], Floats]) -> Floats:
        """The answers to all steps, and to the end, summed; `answer` is the one to a whole step at time 0."""
        out: Floats = sum((share * answer(t - at) for at, share in self.rises), start=np.zeros(()))
        return out - answer(t - self.until) if math.isfinite(self.until) else out


#: (µs, time constant, course) to one column a coefficient
Columns = Callable[[Floats, float, Course], Floats]


def bent(t: Floats, tau: float, course: Course) -> Floats:
    """Rest, instant drop and slow drop as functions of time, shape (n, 3)."""
    instant = course.of(t, lambda u: step_mean(u, course.aperture))
    slow = course.of(t, lambda u: rise_mean(u, tau, course.aperture))
    return np.column_stack((np.ones(len(t)), -instant, -slow))


def dipped(t: Floats, tau: float, course: Course) -> Floats:
    """Rest, instant drop that the regulator takes back, the capacitor's drop that it takes back, lasting drop."""

    def parts(u: Floats) -> Floats:
        fall, dip = dip_mean(u, tau, course.aperture)
        return np.column_stack((fall, dip, step_mean(u, course.aperture) - fall - dip))

    return np.column_stack((np.ones(len(t)), -course.of(t, parts)))


def straight(t: Floats, tau: float, course: Course) -> Floats:
    """Rest, instant drop and straight fall; `tau` is of no effect."""
    instant = course.of(t, lambda u: step_mean(u, course.aperture))
    fall = course.of(t, lambda u: ramp_mean(u, course.aperture))
    return np.column_stack((np.ones(len(t)), -instant, -fall))


def exponential(t: Floats, v: Floats, course: Course) -> Fit:
    """Coefficients: rest, instant drop, slow drop; and a time constant."""
    return _instant_at_least_zero(bent, t, v, course)


def recovering(t: Floats, v: Floats, course: Course) -> Fit | None:
    """Coefficients: rest, instant drop, passing drop, lasting drop; and the regulator's time.

    Of the load phase alone: a regulator can give current but not take it back, so what comes after is another course.
    """
    return _instant_at_least_zero(dipped, t, v, course) if len(t) >= FEWEST else None


def _instant_at_least_zero(columns_of: Columns, t: Floats, v: Floats, course: Course) -> Fit:
    """An instant drop below zero is none: the load came a little later than its time stamp says.

    What the data leave open about it stays open: the covariance is that of all parameters.
    """
    found = _with_time(columns_of, t, v, course)
    if found.coefficients[1] >= 0:
        return found
    soft = _with_time(lambda *a: np.delete(columns_of(*a), 1, axis=1), t, v, course)
    coefficients = np.insert(soft.coefficients, 1, 0.0)
    jacobian = _jacobian(columns_of, t, course, soft.log_tau, coefficients)
    return _finish(jacobian, soft.log_tau, coefficients, soft.squares, soft.determined)


def ramp(t: Floats, v: Floats, course: Course) -> Fit | None:
    """Rest, instant drop and straight fall, over the load phase only."""
    if len(t) < FEWEST:
        return None
    columns = straight(t, math.nan, course)
    coefficients, squares = _solve(columns, v)
    return _finish(columns, math.nan, coefficients, squares, True)


def _with_time(columns_of: Columns, t: Floats, v: Floats, course: Course) -> Fit:
    """Best time constant on a grid, refined; the rest is linear (variable projection, Golub and Pereyra
    1973). What is over by a fifth of its height at the first sample can still be told."""
    after = np.sort(t[t > 0])
    shortest = max(course.aperture / 4, float(after[0]) / 4 if len(after) else 1.0, 1e-3)
    longest = 100 * float(np.ptp(t))

    def squares(log_tau: float) -> float:
        return _solve(columns_of(t, math.exp(log_tau), course), v)[1]

    grid = np.linspace(math.log(shortest), math.log(longest), _STEPS)
    best = int(np.argmin([squares(float(x)) for x in grid]))
    low, high = float(grid[max(0, best - 1)]), float(grid[min(_STEPS - 1, best + 1)])
    log_tau = _golden(squares, low, high)
    coefficients, rest = _solve(columns_of(t, math.exp(log_tau), course), v)
    jacobian = _jacobian(columns_of, t, course, log_tau, coefficients)
    return _finish(jacobian, log_tau, coefficients, rest, 0 < best < _STEPS - 1)


def _jacobian(columns_of: Columns, t: Floats, course: Course, log_tau: float, coefficients: Floats) -> Floats:
    step = 1e-4
    up, down = (columns_of(t, math.exp(log_tau + d), course) for d in (step, -step))
    return np.column_stack((columns_of(t, math.exp(log_tau), course), (up - down) @ coefficients / (2 * step)))


def _solve(columns: Floats, v: Floats) -> tuple[Floats, float]:
    scale = np.linalg.norm(columns, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    found = np.linalg.lstsq(columns / scale, v, rcond=1e-12)[0] / scale
    rest = v - columns @ found
    return found, float(rest @ rest)


def _finish(jacobian: Floats, log_tau: float, coefficients: Floats, squares: float, sure: bool) -> Fit:
    freedom = max(1, len(jacobian) - jacobian.shape[1])
    covariance = np.linalg.pinv(jacobian.T @ jacobian).astype(np.float64)
    return Fit(log_tau, coefficients, covariance, squares, freedom, sure)


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
