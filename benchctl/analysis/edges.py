"""Edge lists: bounce of a switch per actuation, and trains of pulses.

An edge list is two arrays: times in µs, ascending, and levels after each edge, true for high. Times are those
of the board's 0.5 µs timer unless the caller converts them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Bools, Floats, Ints
from benchctl.errors import UsageError

#: quiet time after which a contact counts as settled: three times the longest bounce that Ganssle (2004) counted
#: on 16 of his 18 switches (6.2 ms)
SETTLE_US = 20_000.0


def _edges(times: npt.ArrayLike, levels: npt.ArrayLike) -> tuple[Floats, Bools]:
    t, high = np.asarray(times, np.float64), np.asarray(levels, np.bool_)
    if t.ndim != 1 or t.shape != high.shape:
        raise UsageError(f"an edge list needs a level for every time, got {t.shape} and {high.shape}")
    if (np.diff(t) < 0).any():
        raise UsageError("the edges are not in order of time")
    return t, high


@dataclass(frozen=True, slots=True, eq=False)
class Actuations:
    """What a switch did, one entry an actuation (a change that settled, or one that fell back), arrays of
    shape (n,).

    first: time of the first edge, which is when the contact moved. settled: time of the last edge. level:
    what it settled at. bounces: edges beyond the first. duration: settled - first. changed: false where it
    settled at the level it came from (a glitch).
    """

    first: Floats
    settled: Floats
    level: Bools
    bounces: Ints
    duration: Floats
    changed: Bools

    def __len__(self) -> int:
        return len(self.first)


def actuations(times: npt.ArrayLike, levels: npt.ArrayLike, *, rest: bool, settle: float = SETTLE_US) -> Actuations:
    """Edges grouped into actuations: one ends when no edge follows for `settle` µs.

    rest: level before the first edge. Raises UsageError when times do not ascend or shapes differ.
    """
    t, high = _edges(times, levels)
    if not len(t):
        nothing = np.zeros(0)
        return Actuations(
            nothing, nothing, nothing.astype(bool), nothing.astype(np.int64), nothing, nothing.astype(bool)
        )
    first = np.concatenate(([0], np.flatnonzero(np.diff(t) >= settle) + 1))
    last = np.concatenate((first[1:], [len(t)])) - 1
    before = np.concatenate(([rest], high[last][:-1]))
    return Actuations(
        first=t[first],
        settled=t[last],
        level=high[last],
        bounces=(last - first).astype(np.int64),
        duration=t[last] - t[first],
        changed=high[last] != before,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """A train of pulses.

    starts: time of each leading edge, shape (n,). widths: shape (n,). periods: from one start to the next,
    shape (n - 1,). missing: frames without a pulse; extra: pulses that came before their frame was due.
    frame: the frame period, median of the periods, NaN below two pulses.
    """

    starts: Floats
    widths: Floats
    periods: Floats
    frame: float
    missing: int
    extra: int


def pulses(times: npt.ArrayLike, levels: npt.ArrayLike, *, active: bool = True, frame: float | None = None) -> Pulses:
    """Pulses of an edge list: from each edge to `active` to the next edge away from it; a pulse cut off at
    either end of the list is left out.

    frame: nominal frame period in µs to count missing and extra pulses by, the median when None.
    """
    t, high = _edges(times, levels)
    on = high == active
    leading = np.flatnonzero(on[:-1] & ~on[1:]) if len(t) > 1 else np.zeros(0, np.int64)
    starts, widths = t[leading], t[leading + 1] - t[leading]
    periods = np.diff(starts)
    due = frame if frame is not None else float(np.median(periods)) if len(periods) else math.nan
    steps = np.rint(periods / due) if len(periods) else periods
    missing = int(np.maximum(steps - 1, 0).sum())
    typical = float(np.median(periods)) if len(periods) else math.nan
    return Pulses(starts, widths, periods, typical, missing, int((steps == 0).sum()))


@dataclass(frozen=True, slots=True)
class Spread:
    """Scatter of widths or periods, µs: mean, standard deviation (rms jitter), smallest, largest, and the
    distance between those two (peak to peak). NaN without samples, rms 0 from one."""

    mean: float
    rms: float
    least: float
    most: float

    @property
    def peak_to_peak(self) -> float:
        return self.most - self.least


def spread(values: npt.ArrayLike) -> Spread:
    """Scatter of a set of values, shape (n,)."""
    v = np.asarray(values, np.float64)
    if not len(v):
        return Spread(math.nan, math.nan, math.nan, math.nan)
    rms = float(v.std(ddof=1)) if len(v) > 1 else 0.0
    return Spread(float(v.mean()), rms, float(v.min()), float(v.max()))
