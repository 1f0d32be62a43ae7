"""Relating clocks: board to board over the radio, board to host over the serial line.

All times and offsets are in µs of the clock they were read from, skews in ppm; a positive offset means that
the second clock is ahead, a positive skew that it runs fast. Board clocks tick every 0.5 µs.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
import numpy.typing as npt

from benchctl.analysis.envelope import Edge, lower_edge
from benchctl.analysis.tails import Floats, Ints, check_level
from benchctl.analysis.track import Track, fit_track
from benchctl.errors import UsageError
from benchctl.terms import Interval
from benchctl.units import TICK_US

#: a host relation longer than this is followed window by window, a shorter one is one straight line
WINDOW_US = 15e6
_FEWEST_IN_WINDOW = 20


def unwrap_ticks(ticks: npt.ArrayLike, bits: int = 32) -> Ints:
    """Counter readings of `bits` bits as one growing count, shape (n,), starting at the first reading.

    Neighbours may lie up to half the counter's range apart, in either direction: 18 minutes for 32 bits.
    """
    raw = np.asarray(ticks, np.int64)
    if not len(raw):
        return raw
    half = np.int64(1) << (bits - 1)
    steps: Ints = (np.diff(raw) + half) % (2 * half) - half
    out: Ints = np.concatenate((raw[:1], raw[0] + np.cumsum(steps)))
    return out


class TickExtender:
    """The same, reading by reading: a counter of `bits` bits continued without end."""

    def __init__(self, bits: int = 32) -> None:
        self._half = 1 << (bits - 1)
        self._last: int | None = None

    def extend(self, ticks: int) -> int:
        """The continued count of a reading less than half a range away from the one before."""
        if self._last is None:
            self._last = ticks
        else:
            self._last += (ticks - self._last + self._half) % (2 * self._half) - self._half
        return self._last

    def extend_many(self, ticks: npt.ArrayLike) -> Ints:
        """The same for readings in order, shape (n,)."""
        raw = np.asarray(ticks, np.int64)
        if not len(raw):
            return raw
        first = self.extend(int(raw[0]))
        out: Ints = unwrap_ticks(raw, self._half.bit_length()) - raw[0] + first
        self._last = int(out[-1])
        return out


@dataclass(frozen=True, slots=True, eq=False)
class TwoWay:
    """Offsets of clock b against clock a from exchanges, at times `at` of clock a, with round-trip delays."""

    at: Floats
    offset: Floats
    delay: Floats


def two_way(
    t1: npt.ArrayLike, t2: npt.ArrayLike, t3: npt.ArrayLike, t4: npt.ArrayLike, *, asymmetry: float = 0.0
) -> TwoWay:
    """Two-way time transfer (RFC 5905 section 8), arrays of shape (n,) or numbers.

    t1: sent by a, t2: received by b, t3: answered by b, t4: received by a. asymmetry: known time that the way
    there takes longer than the way back. offset = ((t2-t1) + (t3-t4) - asymmetry) / 2,
    delay = (t4-t1) - (t3-t2); without knowledge of the ways the truth is within offset ± delay/2.
    """
    a1, b2, b3, a4 = (np.atleast_1d(np.asarray(t, np.float64)) for t in (t1, t2, t3, t4))
    if not a1.shape == b2.shape == b3.shape == a4.shape:
        raise UsageError("an exchange has four time stamps; the four arrays must be of one length")
    return TwoWay((a1 + a4) / 2, ((b2 - a1) + (b3 - a4) - asymmetry) / 2, (a4 - a1) - (b3 - b2))


def prompt_exchanges(exchanges: TwoWay, tick: float = TICK_US) -> TwoWay:
    """The exchanges that were not held up: delay at most four deviations or four ticks above the lower quartile,
    where the deviation is judged by the fastest quarter as a normal distribution's. A hold-up on one way only would
    pull the offset by half of itself, and most may be held up: by a pulse whose edge is waited for, exchange after
    exchange. That the fastest are the right ones is the clock filter of RFC 5905, section 10."""
    fast, quarter = np.quantile(exchanges.delay, (0.05, 0.25))
    deviation = (quarter - fast) / (1.645 - 0.674)
    kept = exchanges.delay <= quarter + max(4 * deviation, 4 * tick)
    return TwoWay(exchanges.at[kept], exchanges.offset[kept], exchanges.delay[kept])


class _Course(Protocol):
    """The offset as a function of time, with half intervals of offset and slope."""

    def value(self, times: npt.ArrayLike) -> Floats: ...

    def half_width(self, times: npt.ArrayLike, level: float = 0.95) -> Floats: ...

    def slope(self, time: float, level: float = 0.95) -> tuple[float, float]: ...


@dataclass(frozen=True, slots=True, eq=False)
class ClockMap:
    """The relation of clock b to clock a between `first` and `last` (times of a); made by `relate_boards` and
    `relate_host`.

    skew: mean over the stretch `skew_over`, ppm, with skew_interval. exchanges: how many were used. noise:
    standard deviation of one exchange, or how wide the bounds of the offset are. systematic: µs added to
    every interval for what repetition cannot remove.
    """

    course: _Course
    first: float
    last: float
    skew: float
    skew_interval: Interval
    skew_over: tuple[float, float]
    exchanges: int
    noise: float
    systematic: float
    level: float

    def offset(self, t_a: npt.ArrayLike) -> Floats:
        """b minus a at times of clock a, any shape."""
        return self.course.value(t_a)

    def half_width(self, t_a: npt.ArrayLike) -> Floats:
        """Half the interval of the offset at times of clock a, shape (k,)."""
        return self.course.half_width(t_a, self.level) + self.systematic

    def skew_at(self, t_a: float) -> tuple[float, float]:
        """Skew at one time of clock a and half its interval, ppm."""
        slope, half = self.course.slope(t_a, self.level)
        return slope * 1e6, half * 1e6

    def to_b(self, t_a: npt.ArrayLike) -> Floats:
        """Times of clock a as times of clock b."""
        return np.asarray(t_a, np.float64) + self.offset(t_a)

    def to_a(self, t_b: npt.ArrayLike) -> Floats:
        """Times of clock b as times of clock a; inverse of `to_b` to below a nanosecond."""
        target = np.asarray(t_b, np.float64)
        middle = (self.first + self.last) / 2
        guess = target - self.offset(np.full(target.shape, middle))
        for _ in range(4):
            guess = target - self.offset(guess)
        return guess

    def offset_interval(self, t_a: float) -> Interval:
        """Interval of the offset at one time of clock a."""
        middle, half = float(self.offset(np.array([t_a]))[0]), float(self.half_width([t_a])[0])
        return Interval(middle - half, middle + half, self.level)


def relate_boards(
    t1: npt.ArrayLike,
    t2: npt.ArrayLike,
    t3: npt.ArrayLike,
    t4: npt.ArrayLike,
    *,
    asymmetry: float = 0.0,
    tick: float = TICK_US,
    level: float = 0.95,
) -> ClockMap:
    """Relation of two boards from radio exchanges, following oscillator drift (see `track`).

    Exchanges that were held up are left out (`prompt_exchanges`; `exchanges` of the result tells how many
    remained). Arguments as for `two_way`, times ascending and unwrapped, at least four exchanges. tick: of
    both clocks. Where the time stamps scatter less than ticks must (two clocks in step read the same fraction
    of a tick over and over), the hidden error of the stamps is added to the interval. Raises UsageError for
    too few exchanges.
    """
    got = two_way(t1, t2, t3, t4, asymmetry=asymmetry)
    if len(got.at):
        got = prompt_exchanges(got, tick)
    track = fit_track(got.at, got.offset)
    first, last = float(got.at[0]), float(got.at[-1])
    over = (track.start, track.start + track.length)
    mean, half = track.mean_slope(*over, level)
    hidden = max(0.0, tick * tick / 12 - track.noise**2)
    interval = Interval((mean - half) * 1e6, (mean + half) * 1e6, check_level(level))
    systematic = 2 * float(np.sqrt(hidden))
    count, noise = len(got.at), track.noise
    return ClockMap(track, first, last, mean * 1e6, interval, over, count, noise, systematic, level)


@dataclass(frozen=True, slots=True)
class _Bounded:
    """A straight offset known to lie between two bounds: `half` at `centre`, widening by `spread` per µs."""

    centre: float
    level: float
    steepness: float
    half: float
    spread: float

    def value(self, times: npt.ArrayLike) -> Floats:
        out: Floats = self.level + self.steepness * (np.asarray(times, np.float64) - self.centre)
        return out

    def half_width(self, times: npt.ArrayLike, level: float = 0.95) -> Floats:
        return self.half + self.spread * np.abs(np.atleast_1d(np.asarray(times, np.float64)) - self.centre)

    def slope(self, time: float, level: float = 0.95) -> tuple[float, float]:
        return self.steepness, self.spread


def relate_host(
    sent: npt.ArrayLike,
    board: npt.ArrayLike,
    received: npt.ArrayLike,
    *,
    out_least: float = 0.0,
    back_least: float = 0.0,
    level: float = 0.95,
) -> ClockMap:
    """Relation of a board (clock b) to the host (clock a) over a line whose delays only ever add.

    sent, received: host times around each request, board: the board's stamp in between, shape (n,),
    ascending, n at least 8. out_least, back_least: times that the ways there and back take at the very least
    (bytes on the wire). The offset is bounded from both sides by the fastest requests and the fastest
    answers, and the truth is certain to be inside; the skew follows the edges of both delay clouds (see
    `envelope`) and is far sharper. Beyond 15 s the relation is followed in windows. Raises UsageError for too
    few exchanges.
    """
    h1, b, h4 = (np.asarray(t, np.float64) for t in (sent, board, received))
    if not h1.shape == b.shape == h4.shape:
        raise UsageError("every exchange needs host times before and after and the board's stamp")
    windows = int(min((h1[-1] - h1[0]) // (WINDOW_US / 6), len(h1) // _FEWEST_IN_WINDOW, 48)) if len(h1) else 0
    if windows < 10 or h1[-1] - h1[0] <= WINDOW_US:
        return _one_window(h1, b, h4, out_least, back_least, check_level(level))
    return _windows(h1, b, h4, windows, out_least, back_least, check_level(level))


def _edges(h1: Floats, b: Floats, h4: Floats) -> tuple[Edge, Edge]:
    """Lower edges of (board - sent), and of (received - board): a rising offset raises one and lowers the
    other."""
    return lower_edge(h1, b - h1), lower_edge(h4, h4 - b)


def _one_window(h1: Floats, b: Floats, h4: Floats, out: float, back: float, level: float) -> ClockMap:
    there, home = _edges(h1, b, h4)
    slope, interval = _joint_slope(there, home, level)
    centre = (there.centre + home.centre) / 2
    high = there.bound + there.bound_slope * (centre - there.centre) - out
    low = -(home.bound + home.bound_slope * (centre - home.centre)) + back
    spread = max(interval.high - slope, slope - interval.low)
    half = max(high - low, 0.0) / 2 + TICK_US
    course = _Bounded(centre, (high + low) / 2, slope, half, spread)
    ppm = interval.scaled(1e6)
    over = (float(h1[0]), float(h4[-1]))
    return ClockMap(course, *over, slope * 1e6, ppm, over, len(h1), half, 0.0, level)


def _joint_slope(there: Edge, home: Edge, level: float) -> tuple[float, Interval]:
    """Both edges' slopes weighed by their precision; the interval from all pairs of equally likely slopes."""
    trust, other = there.slope_error**-2, home.slope_error**-2
    share = trust / (trust + other)
    pairs = np.add.outer(share * there.quantiles(), -(1 - share) * home.quantiles()).ravel()
    low, high = np.quantile(pairs, [(1 - level) / 2, (1 + level) / 2])
    return share * there.slope - (1 - share) * home.slope, Interval(float(low), float(high), level)


@dataclass(frozen=True, slots=True, eq=False)
class _Shifted:
    """A track whose shape is known and whose height comes from bounds."""

    track: Track
    shift: float

    def value(self, times: npt.ArrayLike) -> Floats:
        return self.track.value(times) + self.shift

    def half_width(self, times: npt.ArrayLike, level: float = 0.95) -> Floats:
        return self.track.half_width(times, level)

    def slope(self, time: float, level: float = 0.95) -> tuple[float, float]:
        return self.track.slope(time, level)


def _windows(h1: Floats, b: Floats, h4: Floats, windows: int, out: float, back: float, level: float) -> ClockMap:
    """Shape from the edges of all windows, height from the tightest bounds of all exchanges against it."""
    cuts = np.linspace(0, len(h1), windows + 1).astype(np.int64).tolist()
    pairs = [_edges(h1[i:j], b[i:j], h4[i:j]) for i, j in pairwise(cuts)]
    there, home = [p[0] for p in pairs], [p[1] for p in pairs]
    trust = np.array([e.level_error for e in home]) ** 2, np.array([e.level_error for e in there]) ** 2
    share = float(np.median(trust[0]) / (np.median(trust[0]) + np.median(trust[1])))
    at = np.array([share * t.centre + (1 - share) * e.centre for t, e in pairs])
    # the touching lines: that they lie a little inside their edge is alike in all windows and drops out of the shape
    height = np.array([share * t.bound - (1 - share) * e.bound for t, e in pairs])
    track = fit_track(at, height)  # windows are alike; their own error estimates scatter more than their errors
    high = float((b - h1 - track.value(h1)).min()) - out
    low = float((b - h4 - track.value(h4)).max()) + back
    bound = max(high - low, 0.0) / 2 + TICK_US
    over = (track.start, track.start + track.length)
    mean, half = track.mean_slope(*over, level)
    ppm = Interval((mean - half) * 1e6, (mean + half) * 1e6, level)
    course, first, last = _Shifted(track, (high + low) / 2), float(h1[0]), float(h4[-1])
    return ClockMap(course, first, last, mean * 1e6, ppm, over, len(h1), bound, bound, level)
