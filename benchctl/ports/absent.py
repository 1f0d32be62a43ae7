"""The port of a board that has not been found: lost from the start, with the reason."""

from __future__ import annotations

from benchctl.errors import PortLost


class AbsentPort:
    """Every use raises PortLost with the sentence of why the board is not there."""

    baud = 0
    latency_ms: float | None = None

    def __init__(self, name: str, sentence: str, to_flash: str = "") -> None:
        """to_flash: port on which a board waits for the right program, perhaps this one."""
        self.name = name
        self._sentence = sentence
        self._to_flash = to_flash

    def _lost(self) -> PortLost:
        return PortLost(self._sentence, to_flash=self._to_flash)

    def write(self, data: bytes) -> None:
        raise self._lost()

    def urgent(self, data: bytes) -> bool:
        raise self._lost()

    def shut(self) -> None:
        return

    def read_nowait(self) -> bytes:
        raise self._lost()

    def reset(self) -> None:
        raise self._lost()

    def set_baud(self, baud: int) -> None:
        raise self._lost()

    def close(self) -> None:
        return
