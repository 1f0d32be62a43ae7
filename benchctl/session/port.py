"""The byte boundary at which all three benches meet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from benchctl.terms import Role


class Port(Protocol):
    """One board's serial line.

    `write` and `urgent` raise PortLost when the line is gone; `read_nowait` returns what has come in,
    b"" when nothing has, and raises PortLost once everything before the loss has been read.
    """

    name: str

    def write(self, data: bytes) -> None: ...

    def urgent(self, data: bytes) -> bool:
        """Write from any thread, ahead of anything queued, and never wait. For stopping only.

        False: the line did not take all of it now; the whole may be tried again.
        """

    def shut(self) -> None:
        """From any thread: `write` raises Stopped from now on, also one that is under way; `urgent` goes on.

        A request that a thread was about to send leaves before anything urgent that follows this call, or never.
        """

    def read_nowait(self) -> bytes: ...

    def reset(self) -> None:
        """Restart the board through its reset line (DTR), where the line has one; else do nothing."""

    def set_baud(self, baud: int) -> None:
        """Change the line's speed without restarting the board, where the line has a speed; else do nothing."""

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Reach:
    """What became of a stop. reached: boards whose lines took it. missed: the others, each with the reason."""

    reached: tuple[Role, ...] = ()
    missed: Mapping[Role, str] = field(default_factory=dict)

    def __or__(self, later: Reach) -> Reach:
        """With a later try: who was reached once is reached."""
        reached = tuple(dict.fromkeys((*self.reached, *later.reached)))
        missed = {role: why for role, why in {**self.missed, **later.missed}.items() if role not in reached}
        return Reach(reached, missed)


class Clock(Protocol):
    """Bench time. The real clock is named in `ports/` only; simulated benches jump to what is due next."""

    def now(self) -> float:
        """Seconds since the bench was opened."""

    def wait(self, seconds: float) -> None:
        """Let that much bench time pass. Raises Stopped when the run has been stopped."""

    def wait_input(self, deadline: float) -> bool:
        """Let time pass until something has come on any port since the last call (True), or `now()` reaches
        `deadline` (False).

        It goes by arrivals, not by what lies unread: bytes from a board that nobody is asking must neither keep
        the asker spinning nor from giving up, so a passed deadline is put off by an arrival once only.
        """


class Arrivals:
    """Whether something has come since the last look, for `wait_input` of benches that run in one thread."""

    def __init__(self) -> None:
        self.fresh = False
        self._granted = float("-inf")

    def note(self) -> None:
        """Something has come."""
        self.fresh = True

    def take(self, now: float, deadline: float) -> bool:
        """Whether to answer True; the look is then over."""
        fresh, self.fresh = self.fresh, False
        if now >= deadline:
            fresh = fresh and self._granted != deadline
            self._granted = deadline
        return fresh
