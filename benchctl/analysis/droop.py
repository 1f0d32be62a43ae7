"""A supply rail under a known load step: source resistance, capacitance and ESR from the waveform.

The rail is a source `volts` behind `ohms`, with a capacitor of `farad` and series resistance `esr` across it;
the load draws a known current more from time 0 to `until`. By superposition the rail drops at once by I *
(ohms || esr), then towards I * ohms with the time constant (ohms + esr) * farad, and recovers the same way. A
regulator at its current limit behaves otherwise: the rail then falls on a straight line, and the slope is the
current it lacks over the capacitance. A regulator within its limit answers late: the rail dips and comes back (see
`droop_shapes`). The best of them is taken by their residuals, unless it says what cannot be. Volts, amperes, ohms,
µF and µs.

A conversion that measures the rail against itself sees the mean over its aperture, which is part of the
model.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchctl.analysis import droop_shapes as shapes
from benchctl.analysis.droop_shapes import FEWEST, Course, Fit
from benchctl.analysis.droop_steps import Steps, likeliest
from benchctl.analysis.tails import Floats, check_level, student_quantile
from benchctl.errors import UsageError
from benchctl.terms import Interval


@dataclass(frozen=True, slots=True)
class Estimate:
    """A fitted quantity with its interval; the interval is None where the data do not bound it."""

    value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True, eq=False)
class Droop:
    """A fitted droop.

    shape: "exponential", "ramp", "recovering" or "unresolved" (no shape fits in a way that can be: only rest,
    lowest and amplitude, as sampled). rest: volts before the load. amplitude: volts from rest to the lowest
    point of the load phase. lowest: that voltage. tau: time constant, µs; of a recovering rail the regulator's;
    NaN for a ramp. slope: V/µs of a ramp; NaN otherwise. source: ohms; capacity: µF; esr: ohms. For a ramp,
    source is unknown (NaN) and capacity is what the whole load current would need: an upper bound when the
    regulator still delivers its limit. noise: standard deviation of one sample. samples: how many.
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


def fit_droop(
    times: npt.ArrayLike,
    volts: npt.ArrayLike,
    amps: float,
    *,
    until: float = math.inf,
    aperture: float = 0.0,
    lsb: float = 0.0,
    rises: Sequence[tuple[float, float]] = ((0.0, 1.0),),
    steps: Steps | None = None,
    level: float = 0.95,
) -> Droop:
    """Fit a droop waveform.

    times: µs from the start of the load, shape (n,), any order, some before 0; volts: shape (n,), n at least
    8. amps: the load step, more than 0. until: when the load ends. aperture: µs after the time stamp over
    which a sample is the mean, 0 for sample and hold. lsb: volts of one converter step, below whose own
    scatter (lsb / sqrt 12) the noise is not believed. rises: (µs, share of amps) of a load that comes in steps.
    steps: the converter's, for samples that are means of few conversions on steps coarser than the noise.
    Raises UsageError for too few samples or when none lies
    in the load phase.
    """
    t, v = np.asarray(times, np.float64), np.asarray(volts, np.float64)
    if t.shape != v.shape or len(t) < FEWEST or amps <= 0:
        raise UsageError(f"a droop needs at least {FEWEST} samples and a load step above 0 A, got {t.shape}, {amps} A")
    loaded = (t >= 0) & (t < until)
    if loaded.sum() < 4:
        raise UsageError("a droop needs at least 4 samples while the load is on")
    for make in _by_worth(t, v, Course(until, aperture, tuple(rises)), lsb, steps):
        found = make(amps, lsb, level)
        if _plausible(found):
            return found
    return _unresolved(t, v, loaded)


_Made = Callable[[float, float, float], Droop]


def _by_worth(t: Floats, v: Floats, course: Course, lsb: float, steps: Steps | None) -> list[_Made]:
    """The shapes from the likeliest to the least, by the load phase alone (Schwarz 1978).

    What a converter's steps leave over is not white: it counts as if the fits had it all.
    """
    end = min(course.until, float(t.max()) + course.aperture)
    during = t + course.aperture < course.until
    u, w, endless = t[during], v[during], course.endless()
    bent, straight = shapes.exponential(u, w, endless), shapes.ramp(u, w, endless)
    dipped = shapes.recovering(u, w, endless)
    deep, n = _Deep(endless, end), len(u)
    grain = n * max(lsb**2 / 12, (1e-7 * float(bent.coefficients[0])) ** 2)

    def exponential(amps: float, lsb: float, level: float) -> Droop:
        fit = shapes.exponential(t, v, course)
        fit = likeliest(fit, shapes.bent, t, v, course, steps) if steps is not None and fit.determined else fit
        return _as_exponential(fit, amps, deep, lsb, len(t), level)

    made: list[_Made] = [exponential]
    best, parameters = bent, _BENT
    if straight is not None:
        place = 0 if _ramp_wins(bent, straight, end, grain) else 1
        made.insert(place, lambda amps, lsb, level: _as_ramp(straight, amps, deep, lsb, n, level))
        best, parameters = (straight, _STRAIGHT) if place == 0 else (best, parameters)
    if dipped is not None and deep.comes_back(dipped):
        cost = (_DIPPED - parameters) * math.log(n)
        place = 0 if _gain(best, dipped, n, grain) > cost else len(made)
        made.insert(place, lambda amps, lsb, level: _as_recovering(dipped, amps, deep, lsb, n, level))
    return made


class _Deep:
    """The deepest point of a course while the load is on, seen sharply."""

    def __init__(self, course: Course, end: float) -> None:
        self._course = replace(course, aperture=0.0)
        self._grid = np.unique(np.concatenate((np.geomspace(end * 1e-4, end, 300), np.linspace(0.0, end, 300))))

    def __call__(self, columns: Callable[[Floats, float, Course], Floats], p: Floats, tau: float) -> float:
        return float(np.max(self._drop(columns, p, tau)))

    def _drop(self, columns: Callable[[Floats, float, Course], Floats], p: Floats, tau: float) -> Floats:
        rows = columns(self._grid, tau, self._course)[:, 1:]
        out: Floats = -rows @ p[1 : 1 + rows.shape[1]]
        return out

    def comes_back(self, dipped: Fit) -> bool:
        """Whether a fifth of the dip is gone when the load ends; else it is no other than a rail that just falls."""
        drop = self._drop(shapes.dipped, dipped.coefficients, math.exp(dipped.log_tau))
        return float(drop[-1]) < 0.8 * float(drop.max())


#: parameters of the shapes
_STRAIGHT, _BENT, _DIPPED = 3, 4, 5


def _gain(plain: Fit, rich: Fit, count: int, grain: float) -> float:
    """Twice the gain in log likelihood; `grain` of the squares is rounding and counts as nothing."""
    return count * math.log((plain.squares + grain) / (rich.squares + grain))


def _ramp_wins(bent: Fit, straight: Fit, end: float, grain: float) -> bool:
    """A straight line is an exponential of endless time constant with one parameter less: it is taken when
    the bend is not worth its parameter (Schwarz 1978) or bends the wrong way round."""
    count = straight.freedom + len(straight.coefficients)
    return _gain(straight, bent, count, grain) < math.log(count) or math.exp(bent.log_tau) > 20 * end


def _plausible(droop: Droop) -> bool:
    """No rail rises under a load, no resistance or capacity is clearly negative, and what comes back has dipped."""
    if droop.shape == "recovering" and not (droop.amplitude.interval and droop.amplitude.interval.low > 0):
        return False
    clear = [e.interval for e in (droop.source, droop.capacity, droop.esr) if math.isfinite(e.value)]
    return not any(i is not None and i.high < 0 for i in (*clear, droop.amplitude.interval))


def _unresolved(t: Floats, v: Floats, loaded: npt.NDArray[np.bool_]) -> Droop:
    """What can be said without a model: rest and the lowest sample."""
    rest = float(np.mean(v[t < 0])) if (t < 0).any() else float(v[int(np.argmin(t))])
    lowest, noise = float(v[loaded].min()), float(np.std(v[t < 0])) if (t < 0).sum() > 1 else math.nan
    deep = Estimate(max(0.0, rest - lowest), None)
    known = {"rest": Estimate(rest, None), "amplitude": deep, "lowest": Estimate(lowest, None)}
    unknown = dict.fromkeys(("tau", "slope", "source", "capacity", "esr"), _UNKNOWN)
    return Droop("unresolved", **known, **unknown, noise=noise, samples=len(t))


class _Derived:
    """Functions of fitted parameters with intervals: a numerical gradient and the parameters' covariance."""

    def __init__(self, fit: Fit, lsb: float, level: float) -> None:
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

    def least_zero(self, function: Callable[[Floats], float]) -> Estimate:
        """The same for what cannot be negative: an estimate that noise has put a little below zero is zero."""
        found = self.of(function)
        if found.interval is None or found.interval.high < 0:
            return found
        low, high = max(0.0, found.interval.low), found.interval.high
        return Estimate(max(0.0, found.value), Interval(low, high, self._level))

    def clear(self, function: Callable[[Floats], float]) -> Estimate:
        """The same where only a value that is clearly above zero says anything."""
        found = self.of(function)
        return found if found.interval is not None and found.interval.low > 0 else _UNKNOWN

    def _interval(self, low: float, high: float) -> Interval | None:
        return Interval(low, high, self._level) if math.isfinite(low) and math.isfinite(high) else None

    def _half(self, function: Callable[[Floats], float]) -> float:
        steps = 1e-6 * np.maximum(np.abs(self._at), 1e-4)
        pairs = [(self._at + d, self._at - d, s) for d, s in zip(np.diag(steps), steps, strict=True)]
        gradient = np.array([(function(up) - function(down)) / (2 * s) for up, down, s in pairs])
        variance = float(gradient @ self._covariance @ gradient)
        return self._factor * math.sqrt(max(variance, 0.0))


def _as_exponential(fit: Fit, amps: float, deep: _Deep, lsb: float, count: int, level: float) -> Droop:
    """Parameters are (rest, instant, slow, log tau)."""
    derived = _Derived(fit, lsb, level)

    def depth(p: Floats) -> float:
        return deep(shapes.bent, p, math.exp(p[3]))

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
        source=derived.least_zero(lambda p: float(p[1] + p[2]) / amps),
        capacity=derived.of(capacity, positive=True) if fit.determined else _UNKNOWN,
        esr=derived.least_zero(esr),
        noise=fit.noise,
        samples=count,
    )


def _as_recovering(fit: Fit, amps: float, deep: _Deep, lsb: float, count: int, level: float) -> Droop:
    """Parameters are (rest, instant, passing, lasting, log of the regulator's time)."""
    derived = _Derived(fit, lsb, level)

    def depth(p: Floats) -> float:
        # a rail cannot end above its rest: what looks so is the converter's reference that sags meanwhile
        kept = np.concatenate((p[:3], [max(0.0, float(p[3]))]))
        return deep(shapes.dipped, kept, math.exp(p[4]))

    def capacity(p: Floats) -> float:
        total = float(p[1] + p[2])
        return amps * math.exp(p[4]) / total if total > 0 else math.nan

    return Droop(
        shape="recovering",
        rest=derived.of(lambda p: float(p[0])),
        amplitude=derived.of(depth),
        lowest=derived.of(lambda p: float(p[0]) - depth(p)),
        tau=derived.of(lambda p: math.exp(p[4]), positive=True) if fit.determined else _UNKNOWN,
        slope=_UNKNOWN,
        # a converter whose reference sags with the load sees a small lasting drop as a rise
        source=derived.clear(lambda p: float(p[3]) / amps),
        capacity=derived.of(capacity, positive=True) if fit.determined else _UNKNOWN,
        esr=derived.least_zero(lambda p: float(p[1]) / amps),
        noise=fit.noise,
        samples=count,
    )


def _as_ramp(fit: Fit, amps: float, deep: _Deep, lsb: float, count: int, level: float) -> Droop:
    """Parameters are (rest, instant, slope)."""
    derived = _Derived(fit, lsb, level)

    def depth(p: Floats) -> float:
        return deep(shapes.straight, p, math.nan)

    return Droop(
        shape="ramp",
        rest=derived.of(lambda p: float(p[0])),
        amplitude=derived.of(depth),
        lowest=derived.of(lambda p: float(p[0]) - depth(p)),
        tau=_UNKNOWN,
        slope=derived.of(lambda p: -float(p[2])),
        source=_UNKNOWN,
        capacity=derived.of(lambda p: amps / float(p[2]) if p[2] > 0 else math.nan, positive=True),
        esr=derived.least_zero(lambda p: float(p[1]) / amps),
        noise=fit.noise,
        samples=count,
    )
