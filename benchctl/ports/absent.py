"""The port of a board that has not been found: lost from the start, with the reason."""

from __future__ import annotations

from benchctl.errors import PortLost


class AbsentPort:
    """Every use raises PortLost with the sentence of why the board is not there."""

    baud = 0
    latency_ms: float | None = None

    def __init__(self, name: str, sentence: str) -> None:
        self.name = name
        self._sentence = sentence

    def write(self, data: bytes) -> None:
        raise PortLost(self._sentence)

    urgent = write

    def read_nowait(self) -> bytes:
        raise PortLost(self._sentence)

    def reset(self) -> None:
        raise PortLost(self._sentence)

    def close(self) -> None:
        return
