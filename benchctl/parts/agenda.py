"""The event queue of the modelled world: time, priority, counter; one agenda, driven by `sim` and by `avr`."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from typing import Any


class Entry:
    """One thing due at a time; `cancel()` makes it not happen."""

    __slots__ = ("action", "args", "live", "time")

    def __init__(self, time: float, action: Callable[..., object], args: tuple[Any, ...]) -> None:
        self.time = time
        self.action = action
        self.args = args
        self.live = True

    def cancel(self) -> None:
        """It is not to happen any more."""
        self.live = False


class Agenda:
    """Future actions in the order of (time, priority, entry), so equal times have a defined order.

    `now` is seconds since the start. An action may add others, also at the present time, never before it.
    """

    def __init__(self) -> None:
        self.now = 0.0
        self._heap: list[tuple[float, int, int, Entry]] = []
        self._count = 0
        #: told whenever something is added that is due earlier than all else (the AVR lock-step listens)
        self.on_earlier: Callable[[float], None] | None = None

    def at(self, time: float, action: Callable[..., object], *args: Any, priority: int = 0) -> Entry:
        """Have `action(*args)` done at `time`. A time before `now` is done at `now`."""
        time = max(time, self.now)
        entry = Entry(time, action, args)
        self._count += 1
        first = not self._heap or time < self._heap[0][0]
        heapq.heappush(self._heap, (time, priority, self._count, entry))
        if first and self.on_earlier is not None:
            self.on_earlier(time)
        return entry

    def after(self, delay: float, action: Callable[..., object], *args: Any, priority: int = 0) -> Entry:
        """Do it after `delay` seconds."""
        return self.at(self.now + delay, action, *args, priority=priority)

    def next_time(self) -> float:
        """When the next live entry is due; infinity when none is."""
        while self._heap and not self._heap[0][3].live:
            heapq.heappop(self._heap)
        return self._heap[0][0] if self._heap else math.inf

    def run_next(self, limit: float) -> bool:
        """Do the next entry if it is due at or before `limit`; else set `now` to `limit` and return False."""
        heap = self._heap
        while heap:
            time, _, _, entry = heap[0]
            if time > limit:
                break
            heapq.heappop(heap)
            if entry.live:
                self.now = time
                entry.live = False
                entry.action(*entry.args)
                return True
        self.now = max(self.now, limit)
        return False

    def run_to(self, time: float) -> None:
        """Do everything due at or before `time`, then set `now` to it."""
        while self.run_next(time):
            pass
