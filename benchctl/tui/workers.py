"""From a worker's thread to the screen: what it has found is shown, unless the screen has gone meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import CancelledError
from typing import Any

from textual.screen import Screen


def show_on(screen: Screen[Any], show: Callable[..., object], *what: object) -> None:
    """Have `show(*what)` done by the screen's own thread. A screen that was left, or a program that is being closed, is
    shown nothing: its panes are gone."""

    def still_here() -> None:
        if screen.is_attached and screen.is_running and list(screen.children):
            show(*what)

    try:
        screen.app.call_from_thread(still_here)
    except (RuntimeError, CancelledError):
        if screen.is_running:
            raise
