"""The real clock: the only waiting that passes in real seconds. Reader threads wake it, a stop ends its waits."""

from __future__ import annotations

import threading
import time

from benchctl.errors import Stopped


class WallClock:
    """Seconds since it was made, monotonic. `wake` may be called from any thread; the waits belong to one."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._arrived = threading.Condition()
        self._arrivals = 0
        self._seen = 0
        self._granted = float("nan")
        self._halt = threading.Event()

    def now(self) -> float:
        return time.monotonic() - self._began

    @property
    def halted(self) -> bool:
        """Set from any thread; waits under way end at once."""
        return self._halt.is_set()

    @halted.setter
    def halted(self, value: bool) -> None:
        if value:
            self._halt.set()
            self.wake()
        else:
            self._halt.clear()

    def wake(self) -> None:
        """Something has come in, or a port is lost."""
        with self._arrived:
            self._arrivals += 1
            self._arrived.notify_all()

    def wait(self, seconds: float) -> None:
        """Let real time pass. Raises Stopped once `halted`."""
        if self._halt.wait(max(seconds, 0.0)):
            raise Stopped("stopped by the operator")

    def wait_input(self, deadline: float) -> bool:
        """True as soon as something has come since the last call, False once `now()` reaches the deadline.

        It goes by arrivals and not by what lies unread: bytes from a board that nobody is asking must neither keep
        the asker spinning nor from giving up. For the same reason a passed deadline is put off once only.
        Raises Stopped once `halted`.
        """
        with self._arrived:
            while True:
                if self._halt.is_set():
                    raise Stopped("stopped by the operator")
                fresh = self._arrivals != self._seen
                left = deadline - self.now()
                if left <= 0:
                    fresh = fresh and self._granted != deadline
                    self._granted = deadline
                if fresh or left <= 0:
                    self._seen = self._arrivals
                    return fresh
                self._arrived.wait(left)
