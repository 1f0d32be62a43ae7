"""Signals that stop a run: Ctrl-C, a closed terminal, a polite kill."""

from __future__ import annotations

import signal
from collections.abc import Callable


def on_signals(stop: Callable[[str], object]) -> None:
    """Have `stop` called at once with "signal", or with "closed" when the terminal goes away."""

    def act(number: int, frame: object) -> None:
        stop("closed" if number == getattr(signal, "SIGHUP", None) else "signal")

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), act)
