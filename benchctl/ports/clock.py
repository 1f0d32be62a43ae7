"""The real clock: the only waiting that passes in real seconds. Reader threads wake it, a stop ends its waits."""

from __future__ import annotations

import sys
import threading
import time

from benchctl.errors import Stopped
from benchctl.session.port import Arrivals

#: nobody has looked at the clock for so long: this computer was suspended, the program stopped, or starved
LATE_S = 2.0
#: the longest stretch of a wait in which nobody looks
_STRETCH_S = 0.5


def _running_on() -> float:
    """Seconds of a clock that goes on while the computer is suspended, where the system has one."""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


class WallClock:
    """Seconds since it was made, monotonic. `wake` may be called from any thread; the waits belong to one.

    late: how often nobody has looked at it for `LATE_S`.
    """

    def __init__(self) -> None:
        self.late = 0
        self._began = self._looked = _running_on()
        self._changed = threading.Condition()
        self._arrivals = Arrivals()
        # both conditions have locks that a signal's handler may take again; an event's it could not
        self._halting = threading.Condition()
        self._halted = False

    def now(self) -> float:
        at = _running_on()
        if at - self._looked > LATE_S:
            self.late += 1
        self._looked = at
        return at - self._began

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

    def flag(self) -> None:
        """Waits to come raise Stopped; those under way are ended by setting `halted`."""
        self._halted = True

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
                self._halting.wait(min(left, _STRETCH_S))
        self._refuse_if_halted()

    def wait_input(self, deadline: float) -> bool:
        """See `session.port.Clock`. Raises Stopped once `halted`."""
        with self._changed:
            while True:
                self._refuse_if_halted()
                now = self.now()
                if self._arrivals.fresh or now >= deadline:
                    return self._arrivals.take(now, deadline)
                self._changed.wait(min(deadline - now, _STRETCH_S))

    def _refuse_if_halted(self) -> None:
        if self._halted:
            raise Stopped("stopped by the operator")
