"""Served boards whose time is the bench's: real pseudo-terminals, ports and threads, and not a second of real waiting.

Whoever waits on a port's clock lets the bench go on, up to the next byte that a board sends; then every byte that was
written is taken in. So a run over real ports is the same on any machine, however busy it is.
"""

from __future__ import annotations

import heapq
import itertools
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from benchctl import serve
from benchctl.bench import Bench
from benchctl.errors import Stopped
from benchctl.ports import bench as ports_bench
from benchctl.ports import discover, listen
from benchctl.ports.outlets import PtyOutlet
from benchctl.ports.port import SerialPort
from benchctl.session.port import Arrivals
from benchctl.terms import Role

#: s: bytes that are under way in a machine for so long never arrive
_LOST_S = 300.0


class Counted(PtyOutlet):
    """A pseudo-terminal that counts what goes through it while one program has it open, and that can be pulled out."""

    def __init__(self, link: Path | None = None) -> None:
        super().__init__(link)
        self.came = self.went = 0
        self.pulled = False
        self._read = b""

    def opened(self) -> None:
        self.came = self.went = 0
        self._read = b""

    def fill(self) -> int:
        """Takes in what has come; all that has, in bytes."""
        data = b"" if self.pulled else super().receive()
        self._read += data
        self.came += len(data)
        return self.came

    def look(self) -> bool:
        return not self.pulled and super().look()

    def receive(self) -> bytes:
        self.fill()
        data, self._read = self._read, b""
        return data

    def speed(self) -> int | None:
        return None if self.pulled else super().speed()

    def send(self, data: bytes) -> None:
        if not self.pulled:
            super().send(data)

    def _push(self, fd: int, data: bytes) -> None:
        before = len(self._waiting) + len(data)
        super()._push(fd, data)
        self.went += before - len(self._waiting)

    def pull(self) -> None:
        """The cable comes out: whoever has it open loses it."""
        self.pulled = True
        self._connected = False
        super().close()

    def close(self) -> None:
        if not self.pulled:
            super().close()


class SteppedTime:
    """The served bench's clock, moved by those who wait. outlets: by role; one may be put in another's place."""

    def __init__(self, bench: Bench) -> None:
        self.server = serve.make_server(bench)
        self.bench = bench
        self.outlets: dict[Role, Any] = self.server._outlets  # type: ignore[assignment]
        self._ports: dict[str, Line] = {}
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._numbers = itertools.count()

    def now(self) -> float:
        return self.bench.now()

    def at(self, seconds: float, act: Callable[[], None]) -> None:
        """Have something done at a time of the bench."""
        heapq.heappush(self._due, (seconds, next(self._numbers), act))

    def opened(self, name: str) -> None:
        """A program is about to use the port of that name."""
        line = self._ports[os.path.realpath(name)] = Line(self._outlet(name))
        line.outlet.opened()

    def line(self, name: str) -> Line | None:
        return self._ports.get(os.path.realpath(name))

    def _outlet(self, name: str) -> Counted:
        place = os.path.realpath(name)
        found: Counted = next(o for o in self.outlets.values() if os.path.realpath(o.name) == place)
        return found

    def step(self, deadline: float) -> None:
        """Let time pass until a board has sent something, or something is due, or the deadline."""
        while self._due and self._due[0][0] <= self.now():
            heapq.heappop(self._due)[2]()
        self._settle()
        self.server._pass_on()
        self.bench.wait_input(min([deadline, *(d[0] for d in self._due)]))
        self.server._pass_on()
        self._settle()

    def _settle(self) -> None:
        """Wait until all that was written is there, on both sides, and what was pulled is known to be lost."""
        for line in self._ports.values():
            began = time.monotonic()
            while not line.still:
                assert time.monotonic() < began + _LOST_S, f"bytes never arrived: {line}"
                time.sleep(0.0001)
            line.tell()


class Line:
    """One open port: bytes written to it and taken in from it."""

    def __init__(self, outlet: Counted) -> None:
        self.outlet = outlet
        self.port: SerialPort | None = None
        self.sent = self.got = 0
        self._told = 0
        self._told_lost = False

    def __repr__(self) -> str:
        return f"{self.outlet.name}: written {self.sent}, came {self.outlet.came}, went {self.outlet.went}, got {self.got}"

    @property
    def still(self) -> bool:
        port = self.port
        if port is None or port._closing:
            return True
        if self.outlet.pulled or port.lost:
            return port.lost
        return self.outlet.fill() >= self.sent and self.got >= self.outlet.went

    def tell(self) -> None:
        """Its clock learns that something has come, once."""
        port = self.port
        news = self.got != self._told or (port is not None and port.lost and not self._told_lost)
        if port is None or not news:
            return
        self._told, self._told_lost = self.got, port.lost
        clock = getattr(port.wake, "__self__", None)
        if isinstance(clock, SteppedClock):
            clock.arrivals.note()


class SteppedClock:
    """In the place of `WallClock`; a reader thread's `wake` says nothing, `SteppedTime` tells of arrivals in order."""

    time: SteppedTime

    #: nobody is ever late: time stands still while the program does
    late = 0

    def __init__(self) -> None:
        self.arrivals = Arrivals()
        self.halted = False

    def flag(self) -> None:
        self.halted = True

    def now(self) -> float:
        return self.time.now()

    def wake(self) -> None:
        return

    def wait(self, seconds: float) -> None:
        deadline = self.now() + seconds
        while self.now() < deadline:
            self._refuse_if_halted()
            self.time.step(deadline)
        self._refuse_if_halted()

    def wait_input(self, deadline: float) -> bool:
        while True:
            self._refuse_if_halted()
            now = self.now()
            if self.arrivals.fresh or now >= deadline:
                return self.arrivals.take(now, deadline)
            self.time.step(deadline)

    def _refuse_if_halted(self) -> None:
        if self.halted:
            raise Stopped("stopped by the operator")


class CountedPort(SerialPort):
    """Counts what it has written and taken in."""

    def __init__(self, name: str, *more: Any) -> None:
        self._counts = SteppedClock.time.line(name)
        if self._counts is not None:
            self._counts.port = self
        super().__init__(name, *more)

    def _send(self, how: Callable[[bytes], Any], data: bytes) -> Any:
        taken = super()._send(how, data)
        if self._counts is not None:
            self._counts.sent += len(data)
        return taken

    def _keep(self, data: bytes) -> None:
        super()._keep(data)
        if self._counts is not None:
            self._counts.got += len(data)


@contextmanager
def stepped(bench: Bench, patch: pytest.MonkeyPatch) -> Iterator[SteppedTime]:
    """The bench served, and all that opens its ports in stepped time. Closes the bench."""
    open_line = discover.open_line

    def opening(name: str, baud: int) -> Any:
        opened = open_line(name, baud)
        if not isinstance(opened, discover.CannotOpen):
            SteppedClock.time.opened(name)
        return opened

    patch.setattr(serve, "PtyOutlet", Counted)
    patch.setattr(discover, "open_line", opening)
    patch.setattr(discover, "SerialPort", CountedPort)
    # one port after the other: what is asked when does not hang on threads
    patch.setattr(discover, "ThreadPoolExecutor", lambda workers, **more: ThreadPoolExecutor(1, **more))
    patch.setattr(listen, "WallClock", SteppedClock)
    patch.setattr(ports_bench, "WallClock", SteppedClock)
    SteppedClock.time = SteppedTime(bench)
    try:
        yield SteppedClock.time
    finally:
        SteppedClock.time.server.close()
