"""The second pass of a stop: lines that took no bytes in the first are tried again, in a thread of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping

from benchctl.safety.stop import FULL, stop_ports
from benchctl.session.port import Port, Reach
from benchctl.terms import Role

#: between two tries, and how long they go on; the board has gone idle by its own keep-alive long before
TRY_S = 0.005
LAST_S = 5.0


class Patience:
    """Tries on, at most one thread at a time; more lines may join while it does."""

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._missed: dict[Role, Port] = {}
        self._thread: threading.Thread | None = None
        self._until = 0.0
        self._quiet = False

    def go_on(self, reach: Reach, ports: Mapping[Role, Port], quiet: bool = False) -> None:
        """Try those lines on that a first pass has found full; does not wait. quiet: as of that pass."""
        full = {role: ports[role] for role, why in reach.missed.items() if why == FULL}
        if not full:
            return
        with self._lock:
            self._quiet = self._quiet or quiet
            self._until = time.monotonic() + LAST_S
            self._missed.update(full)
            if self._thread is None:
                self._thread = threading.Thread(target=self._try, name="patient stop", daemon=True)
                self._thread.start()

    def wait(self, seconds: float) -> None:
        """Until nothing is left to try, but not longer."""
        thread = self._thread
        if thread is not None:
            thread.join(seconds)

    def _try(self) -> None:
        while True:
            time.sleep(TRY_S)
            with self._lock:
                missed = stop_ports(self._missed, self._quiet).missed
                self._missed = {role: port for role, port in self._missed.items() if missed.get(role) == FULL}
                if not self._missed or time.monotonic() > self._until:
                    self._missed.clear()
                    self._thread = None
                    return
