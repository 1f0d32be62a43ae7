"""Text on its way to a terminal or a pipe, written by a thread: whoever says something never waits for who reads it."""

from __future__ import annotations

import contextlib
import queue
import threading
from typing import TextIO

#: lines kept for a reader that takes none; beyond, they are dropped and counted
MOST_WAITING = 2000
#: how often a line that changes in place is drawn at most
DRAW_S = 0.1
#: to the line's beginning, and clear it
_CLEAR = "\r\x1b[K"


class Output:
    """Lines, one after the other, and below them one that changes in place, where the stream is a terminal.

    status: that line, "" for none. To be set from any thread; so may `line` be called. dropped: lines so far that
    nobody took.
    """

    def __init__(self, stream: TextIO, *, terminal: bool) -> None:
        self.status = ""
        self._stream, self._terminal = stream, terminal
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._drawn = ""
        self.dropped = self._admitted = 0
        self._thread = threading.Thread(target=self._write, name="output", daemon=True)
        self._thread.start()

    def line(self, text: str) -> None:
        """A line for good; nothing here waits."""
        if self._lines.qsize() < MOST_WAITING:
            self._lines.put(text)
        else:
            self.dropped += 1

    def close(self, seconds: float = 2.0) -> None:
        """Write what is left, but do not wait longer for somebody to take it."""
        self.status = ""
        self._lines.put(None)
        self._thread.join(seconds)

    def _write(self) -> None:
        with contextlib.suppress(OSError, ValueError):  # whoever read it has gone, or it was closed
            while True:
                try:
                    text = self._lines.get(timeout=DRAW_S)
                except queue.Empty:
                    self._draw()
                    continue
                self._say("" if text is None else f"{text}\n")
                if text is None:
                    return
                if self._lines.empty():
                    self._draw()

    def _say(self, text: str) -> None:
        left_out, self._admitted = self.dropped - self._admitted, self.dropped
        if left_out:
            text = f"… {left_out} lines left out, nobody took them\n{text}"
        self._stream.write((_CLEAR if self._drawn else "") + text)
        self._stream.flush()
        self._drawn = ""

    def _draw(self) -> None:
        status = self.status
        if self._terminal and status != self._drawn:
            self._stream.write(_CLEAR + status)
            self._stream.flush()
            self._drawn = status
