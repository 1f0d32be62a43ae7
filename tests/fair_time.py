"""The real clock's seconds as a busy machine should be given them: for tests of what waits in real time.

A second is as many turns of a thread of this process as an idle machine gives it. A thread that has to wait for its
turn counts a few milliseconds for it, however long it was; so do all that share the process with it, and what they were
given to answer in grows with the machine's load.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from benchctl.ports import clock

_TURN_S = 0.002
#: what one turn counts at most
_MOST_S = 0.005


class FairTime:
    """Stands in for the module `time` in `ports.clock`."""

    def __init__(self) -> None:
        self._now = time.monotonic()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._count, name="fair time", daemon=True)
        self._thread.start()

    def _count(self) -> None:
        last = time.monotonic()
        while not self._over.wait(_TURN_S):
            now = time.monotonic()
            self._now += min(now - last, _MOST_S)
            last = now

    CLOCK_BOOTTIME = 0

    def monotonic(self) -> float:
        return self._now

    def clock_gettime(self, which: int) -> float:
        return self._now

    def close(self) -> None:
        self._over.set()
        self._thread.join()


@contextmanager
def fair_time() -> Iterator[None]:
    """`WallClock` goes by fair seconds in this process."""
    before, fair = clock.time, FairTime()
    clock.time = fair  # type: ignore[assignment]
    try:
        yield
    finally:
        clock.time = before
        fair.close()
