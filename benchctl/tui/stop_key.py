"""The stop key, heard in the thread that reads the keyboard: no output and no busy screen can keep it from the boards.

The screens see the key as well, later; to stop twice does no harm.
"""

from __future__ import annotations

from collections.abc import Callable

from textual.driver import Driver
from textual.events import Key
from textual.message import Message

#: all of them stop the run; the first is the one that screens name
STOP_KEYS = ("ctrl+x", "ctrl+c", "f10")


def hearing(driver: type[Driver], stop: Callable[[], object]) -> type[Driver]:
    """A driver of that kind which calls `stop` in its reading thread as soon as a stop key is read."""

    class Hearing(driver):  # type: ignore[misc, valid-type]
        def process_message(self, message: Message) -> None:
            if isinstance(message, Key) and message.key in STOP_KEYS:
                stop()
            super().process_message(message)

    return Hearing
