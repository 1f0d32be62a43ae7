"""Signals that stop a run: Ctrl-C, a closed terminal, a polite kill.

They are heard by a thread that does nothing else, so that whatever the run's thread is held up by, output that nobody
takes, a slow disk, a long calculation, does not hold up the stop.
"""

from __future__ import annotations

import contextlib
import signal
import socket
import threading
from collections.abc import Callable

Stop = Callable[[str], object]
_BY = dict.fromkeys(("SIGINT", "SIGTERM", "SIGBREAK"), "signal") | {"SIGHUP": "closed"}


class _Listener:
    """One a process. The interpreter writes each signal's number to a socket at once, in whatever thread it comes."""

    def __init__(self) -> None:
        self.stop: Stop = lambda by: None
        self._by = {int(getattr(signal, name)): by for name, by in _BY.items() if hasattr(signal, name)}
        self._heard, self._told = socket.socketpair()
        self._told.setblocking(False)
        threading.Thread(target=self._listen, name="signals", daemon=True).start()

    def take_over(self, stop: Stop) -> None:
        self.stop = stop
        for number in self._by:
            signal.signal(number, _elsewhere)
        signal.set_wakeup_fd(self._told.fileno(), warn_on_full_buffer=False)

    def _listen(self) -> None:
        while numbers := self._heard.recv(64):
            for number in numbers:
                if number in self._by:
                    # a stop that fails must not end the listening: the next one may get through
                    with contextlib.suppress(Exception):
                        self.stop(self._by[number])


def _elsewhere(number: int, frame: object) -> None:
    """The signal is not to end the program or the run's thread: the listener acts on it."""


_listeners: list[_Listener] = []


def on_signals(stop: Stop) -> None:
    """Have `stop` called at once, in a thread of its own, with "signal", or "closed" when the terminal goes away.

    To be called in the main thread; a later call replaces the earlier one's.
    """
    if not _listeners:
        _listeners.append(_Listener())
    _listeners[0].take_over(stop)
