"""The contract that the three benches fulfil; structural, so nobody need import it to fulfil it."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from benchctl.events import Prompt
from benchctl.session.board import Board
from benchctl.session.port import Clock, Reach
from benchctl.terms import Role

#: how long a board that went away is waited for
COME_BACK_S = 15.0


class Operator(Protocol):
    """The person at the bench, or what stands in for one. Nothing here waits.

    by: "person", "file", "simulated" or "none". A bench of kind "ports" refuses "simulated".
    """

    by: str

    def show(self, prompt: Prompt) -> None:
        """Put the prompt before the operator; several may be open."""

    def answer_nowait(self, prompt: Prompt) -> str | None:
        """The answer once there is one. Raises OperatorAbsent when nobody will ever answer."""

    def withdraw(self, prompt: Prompt) -> None:
        """The prompt is over (answered, done, timed out)."""


class Bench(Clock, Protocol):
    """The boards reachable together, with their time, chance and operator.

    kind: "ports", "sim" or "avr". sha256: of the bench description. images: firmware given for it, by role, as in
    `events.RunStarted`. notes: sentences that the person should see before starting.
    halted: set when the run is stopped; from then on `wait` and `wait_input` raise Stopped, and so does whoever still
    writes to a board: nothing but stops leaves.
    pacer: of a simulated bench: told bench time as it passes; may sleep, so that time passes as slowly as wanted.
    """

    operator: Operator
    halted: bool
    pacer: Callable[[float], None] | None

    @property
    def name(self) -> str:
        """As the bench file has it."""

    @property
    def kind(self) -> str:
        """ "ports", "sim" or "avr"."""

    @property
    def simulated(self) -> bool:
        """Whether no real board is there."""

    @property
    def seed(self) -> int:
        """Of all chance."""

    @property
    def sha256(self) -> str:
        """Of the bench description."""

    @property
    def images(self) -> Mapping[str, Mapping[str, str]]:
        """Firmware given for it, by role: file and sha256."""

    @property
    def notes(self) -> Sequence[str]:
        """Sentences that the person should see before starting."""

    @property
    def chance(self) -> random.Random:
        """What challenges to the operator are drawn from."""

    @property
    def boards(self) -> Mapping[Role, Board]:
        """The boards by role."""

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """Look for a board that went away, or was not there yet, for so long; True when it is there.

        It is not armed and its settings are as saved. A simulated board's port stays where it is: True at once.
        """

    def plugged_in(self) -> Sequence[str]:
        """Of the bench's boards those that answer at this moment, a sentence each, whether they have been asked for or
        not. A simulated bench's world has no cables to pull for that: none."""

    @property
    def late(self) -> int:
        """How often this computer has let seconds pass unattended, suspended for example; time goes on meanwhile."""

    def stop_all(self) -> Reach:
        """Tell every board to bring its outputs to idle, from any thread, ahead of everything queued.

        One pass over all boards that never waits; where a line is full, further tries are made beside it.
        """

    def close(self) -> None:
        """Stop all, then let go of ports and chips. May be called twice."""
