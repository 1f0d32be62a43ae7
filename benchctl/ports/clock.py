"""The real clock: the only waiting that passes in real seconds. Reader threads wake it, a stop ends its waits."""

from __future__ import annotations

import threading
import time

from benchctl.errors import Stopped
from benchctl.session.port import Arrivals


class WallClock:
    """Seconds since it was made, monotonic. `wake` may be called from any thread; the waits belong to one."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._changed = threading.Condition()
        self._arrivals = Arrivals()
        # both conditions have locks that a signal's handler may take again; an event's it could not
        self._halting = threading.Condition()
        self._halted = False

    def now(self) -> float:
        return time.monotonic() - self._began

    @property
    def halted(self) -> bool:
        """Set from any thread; waits under way end at once."""
        return self._halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self._halted = value
        with self._halting:
            self._halting.notify_all()
        self.wake()

    def wake(self) -> None:
        """Something has come in, or a port is lost."""
        with self._changed:
            self._arrivals.note()
            self._changed.notify_all()

    def wait(self, seconds: float) -> None:
        """Let real time pass. Raises Stopped once `halted`."""
        deadline = self.now() + seconds
        with self._halting:
            while not self._halted and (left := deadline - self.now()) > 0:
                self._halting.wait(left)
        self._refuse_if_halted()

    def wait_input(self, deadline: float) -> bool:
        """See `session.port.Clock`. Raises Stopped once `halted`."""
        with self._changed:
            while True:
                self._refuse_if_halted()
                now = self.now()
                if self._arrivals.fresh or now >= deadline:
                    return self._arrivals.take(now, deadline)
                self._changed.wait(deadline - now)

    def _refuse_if_halted(self) -> None:
        if self._halted:
            raise Stopped("stopped by the operator")
