"""The stop key in the thread that reads the keyboard, before any screen hears of it."""

from __future__ import annotations

from typing import Any

import pytest
from textual.driver import Driver
from textual.events import Key

from benchctl.tui.stop_key import STOP_KEYS, hearing


class Screens(Driver):
    """A driver without a terminal: notes what the screens are told."""

    told: list[str]

    def __init__(self, told: list[str]) -> None:
        self.told = told

    def process_message(self, message: Any) -> None:
        self.told.append(f"screen {message.key}")

    def write(self, data: str) -> None: ...

    def start_application_mode(self) -> None: ...

    def disable_input(self) -> None: ...

    def stop_application_mode(self) -> None: ...


@pytest.mark.parametrize("key", ["ctrl+x", "ctrl+c", "f10"])
def test_a_stop_key_stops_before_the_screens_hear_it(key: str) -> None:
    told: list[str] = []
    hearing(Screens, lambda: told.append("stop"))(told).process_message(Key(key, None))

    assert key in STOP_KEYS
    assert told == ["stop", f"screen {key}"]


def test_another_key_stops_nothing() -> None:
    told: list[str] = []
    hearing(Screens, lambda: told.append("stop"))(told).process_message(Key("x", "x"))

    assert told == ["screen x"]
