"""What comes and goes on the air by chance: interferers, slow and deep fading."""

from __future__ import annotations

import bisect
import math
import random
from dataclasses import dataclass

#: how far back (s) the past of a random process can still be asked for
MEMORY = 0.1


@dataclass(frozen=True)
class Interferer:
    """A foreign transmitter, as received by an antenna without loss.

    power_dbm: over its whole width, while it is on. duty: share of the time (1: always on).
    burst_ms: mean length of a burst; bursts and pauses are exponentially distributed.
    """

    centre_mhz: float = 2437.0
    width_mhz: float = 20.0
    duty: float = 0.3
    power_dbm: float = -60.0
    burst_ms: float = 1.0


class OnOff:
    """An alternating process with exponential times, made as far as asked for.

    What it is at a time does not depend on when, or how often, it is asked.
    mean_on, mean_off: seconds; mean_off 0 is always on, mean_on 0 is never on.
    """

    def __init__(self, seed: int, mean_on: float, mean_off: float) -> None:
        self._chance = random.Random(seed)
        self._means = (mean_off, mean_on)
        self._fixed: bool | None = True if mean_off <= 0 else False if mean_on <= 0 else None
        first = self._fixed is None and self._chance.random() < mean_on / (mean_on + mean_off)
        self._edges = [0.0]  # edge i starts a span; its state is first ^ (i odd)
        self._first = first

    def _extend(self, time: float) -> None:
        while self._edges[-1] <= time:
            on = self._first ^ (len(self._edges) % 2 == 0)  # state of the span that begins at the last edge
            self._edges.append(self._edges[-1] + self._chance.expovariate(1.0 / self._means[on]))
        if len(self._edges) > 4096:
            keep = max(0, bisect.bisect_right(self._edges, time - MEMORY) - 1) // 2 * 2
            del self._edges[:keep]

    def on_at(self, time: float) -> bool:
        """Whether it is on."""
        if self._fixed is not None:
            return self._fixed
        if time >= self._edges[-1]:
            self._extend(time)
        return self._first ^ (bisect.bisect_right(self._edges, time) % 2 == 0)

    def edges(self, start: float, end: float) -> list[float]:
        """The changes strictly inside the interval."""
        if self._fixed is not None:
            return []
        if end >= self._edges[-1]:
            self._extend(end)
        return self._edges[bisect.bisect_right(self._edges, start) : bisect.bisect_left(self._edges, end)]


def bursts_of(interferer: Interferer, seed: int) -> OnOff:
    """When an interferer transmits."""
    on = interferer.burst_ms * 1e-3
    duty = min(1.0, max(0.0, interferer.duty))
    return OnOff(seed, on if duty > 0 else 0.0, on * (1.0 - duty) / duty if duty > 0 else 1.0)


class Fading:
    """Gain in dB of one path over time: log-normal with a correlation time, and deep fades on top.

    sigma_db, correlation_s: of the slow part, held constant for a twentieth of the correlation time.
    deep_db, deep_rate_hz, deep_s: depth, mean number per second and mean length of the deep fades.
    """

    def __init__(
        self, seed: int, sigma_db: float, correlation_s: float, deep_db: float, deep_rate_hz: float, deep_s: float
    ) -> None:
        self._chance = random.Random(seed)
        self._sigma = sigma_db
        self._step = max(1e-3, correlation_s / 20.0)
        self._keep = math.exp(-self._step / correlation_s) if correlation_s > 0 else 0.0
        self._fresh = sigma_db * math.sqrt(1.0 - self._keep**2)
        self._slow = [self._chance.gauss(0.0, sigma_db)]
        self._offset = 0  # steps that have been forgotten
        self._deep_db = deep_db
        deep = deep_db > 0 and deep_rate_hz > 0 and deep_s > 0
        self.deep = OnOff(seed + 1, deep_s, max(1e-9, 1.0 / deep_rate_hz - deep_s)) if deep else None

    def gain_db(self, time: float) -> float:
        """What the path gains or, below 0, loses, dB."""
        gain = -self._deep_db if self.deep is not None and self.deep.on_at(time) else 0.0
        return gain + self._slow_db(time) if self._sigma else gain

    def _slow_db(self, time: float) -> float:
        index = max(0, int(time / self._step) - self._offset)
        while index >= len(self._slow):
            self._slow.append(self._slow[-1] * self._keep + self._chance.gauss(0.0, self._fresh))
        value = self._slow[index]
        if len(self._slow) > 4096:
            spare = max(0, index - 1024)
            del self._slow[:spare]
            self._offset += spare
        return value
