"""A joystick: where the hand holds it, and what its two wipers show a converter."""

from __future__ import annotations

import math
import random
from bisect import bisect_right

from benchctl.benchfile import AxisSpec, JoystickSpec

#: a wiper that is not connected: its input hangs somewhere and follows the room; no source
_ADRIFT_SHARE, _ADRIFT_SWING, _ADRIFT_NOISE = 0.35, 0.15, 40.0


class Joystick:
    """Positions are -1 to 1 per axis, 0 let go. `move` lays down a path, `share` reads it."""

    def __init__(self, spec: JoystickSpec, chance: random.Random) -> None:
        self.spec = spec
        self._chance = chance
        self._phase = chance.uniform(0.0, 2.0 * math.pi)
        self._times = [-1.0]
        self._path = [(0.0, 0.0)]
        #: axes whose wiper has no contact at the moment
        self.adrift: set[str] = set()

    def move(self, x: float, y: float, start: float, end: float) -> None:
        """From where it is at `start` in a straight line to (x, y) at `end`; whatever was planned after is dropped."""
        here = self.position(start)
        keep = bisect_right(self._times, start)
        self._times[keep:] = [start, max(end, start + 1e-6)]
        self._path[keep:] = [here, (x, y)]

    def position(self, time: float) -> tuple[float, float]:
        after = bisect_right(self._times, time)
        if after == 0:
            return self._path[0]
        if after == len(self._times):
            return self._path[-1]
        (x0, y0), (x1, y1) = self._path[after - 1], self._path[after]
        done = (time - self._times[after - 1]) / (self._times[after] - self._times[after - 1])
        return x0 + (x1 - x0) * done, y0 + (y1 - y0) * done

    def share(self, axis: str, time: float) -> float:
        """The wiper of axis "x" or "y" as a share of the converter's reference, noise included."""
        spec = self.spec
        track: AxisSpec = spec.x if axis == "x" else spec.y
        if not spec.fitted or track.open or axis in self.adrift:
            return self._adrift(time, 0.0 if axis == "x" else 1.0)
        if spec.unpowered:
            return max(0.0, self._chance.gauss(1.0, 0.5)) / 1024.0
        x, y = self.position(time)
        counts = self.ideal_counts(axis, y if (axis == "x") == spec.swapped else x)
        counts = _skip_worn(counts + self._chance.gauss(0.0, track.noise_counts), track)
        return min(1.0, max(0.0, counts / 1024.0))

    def ideal_counts(self, axis: str, position: float) -> float:
        """What the axis's track shows at a position, without noise or wear; fractions are kept."""
        track: AxisSpec = self.spec.x if axis == "x" else self.spec.y
        end = track.max_counts if position >= 0 else track.min_counts
        return track.centre_counts + abs(position) * (end - track.centre_counts)

    def _adrift(self, time: float, turn: float) -> float:
        hum = _ADRIFT_SWING * math.sin(2.0 * math.pi * 50.0 * time + self._phase + turn)
        noise = self._chance.gauss(0.0, _ADRIFT_NOISE / 1024.0)
        return min(1.0, max(0.0, _ADRIFT_SHARE + hum + noise))


def _skip_worn(counts: float, track: AxisSpec) -> float:
    """Over a worn stretch the wiper keeps what its nearer edge shows."""
    for low, high in track.worn_counts:
        if low <= counts < high + 1.0:  # a converter rounds down
            return low - 0.5 if counts - low < high - counts else high + 1.5
    return counts
