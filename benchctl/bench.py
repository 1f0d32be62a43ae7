"""The contract that the three benches fulfil; structural, so nobody need import it to fulfil it."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Protocol

from benchctl.events import Prompt
from benchctl.session.board import Board
from benchctl.session.port import Clock
from benchctl.terms import Role


class Operator(Protocol):
    """The person at the bench, or what stands in for one. Nothing here waits.

    by: "person", "file", "simulated" or "none". A bench of kind "serial" refuses "simulated".
    """

    by: str

    def show(self, prompt: Prompt) -> None:
        """Put the prompt before the operator; several may be open."""

    def answer_nowait(self, prompt: Prompt) -> str | None:
        """The answer once there is one. Raises OperatorAbsent when nobody will ever answer."""

    def withdraw(self, prompt: Prompt) -> None:
        """The prompt is over (answered, done, timed out)."""


class Bench(Clock, Protocol):
    """The boards reachable together, with their time, chance and operator."""

    name: str
    kind: str  # "serial", "sim" or "avr"
    simulated: bool
    seed: int
    sha256: str  # of the bench description
    images: Mapping[str, Mapping[str, str]]  # firmware given for it, by role, as in events.RunStarted
    chance: random.Random
    boards: Mapping[Role, Board]
    operator: Operator
    halted: bool  # set when the run is stopped; from then on `wait` and `wait_input` raise Stopped

    def stop_all(self) -> None:
        """Bring every output that can hurt to idle, from any thread, ahead of everything queued."""

    def close(self) -> None:
        """Stop all, then let go of ports and chips. May be called twice."""
