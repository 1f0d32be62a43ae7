"""The byte boundary at which all three benches meet."""

from __future__ import annotations

from typing import Protocol


class Port(Protocol):
    """One board's serial line.

    `write` and `urgent` raise PortLost when the line is gone; `read_nowait` returns what has come in,
    b"" when nothing has, and raises PortLost once everything before the loss has been read.
    """

    name: str

    def write(self, data: bytes) -> None: ...

    def urgent(self, data: bytes) -> None:
        """Write from any thread, at once, ahead of anything queued. For stopping only."""

    def read_nowait(self) -> bytes: ...

    def reset(self) -> None:
        """Restart the board through its reset line (DTR), where the line has one; else do nothing."""

    def close(self) -> None: ...


class Clock(Protocol):
    """Bench time. The real clock is named in `ports/` only; simulated benches jump to what is due next."""

    def now(self) -> float:
        """Seconds since the bench was opened."""

    def wait(self, seconds: float) -> None:
        """Let that much bench time pass. Raises Stopped when the run has been stopped."""

    def wait_input(self, deadline: float) -> bool:
        """Let time pass until bytes wait on any port (True) or `now()` reaches `deadline` (False)."""
