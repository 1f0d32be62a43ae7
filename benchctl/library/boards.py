"""A board as a script has it: asked with the messages of the wire, and nothing that arms or moves."""

from __future__ import annotations

from benchctl.safety.gate import Gate
from benchctl.safety.interlock import Interlock
from benchctl.session.board import ANSWER_S, A, Board, E
from benchctl.session.boot import Identity
from benchctl.terms import Role
from benchctl.wire.base import Request


class OpenBoard:
    """A board of an open bench.

    What a board is asked outside a run can be anything that neither arms, throttles nor moves a servo: for such a
    request `ask` raises BenchctlError. Motors turn in the attested stages of a procedure only.
    """

    def __init__(self, board: Board) -> None:
        self._board = board
        self._gate = Gate(board.role, Interlock())

    @property
    def role(self) -> Role:
        """hand, craft or gauge."""
        return self._board.role

    @property
    def label(self) -> str:
        """As the board says, else as the pair file has it; "" for none."""
        told = self._board.identity
        return (told.label if told is not None else "") or self._board.wiring.label

    def identify(self) -> Identity:
        """Who the board is; waits for its boot loader where it has just been opened.

        Raises NoAnswer or PortLost when it does not answer, WrongDevice when something else does.
        """
        return self._board.open() if self._board.identity is None else self._board.identify()

    def ask(self, request: Request[A], *, timeout: float = ANSWER_S) -> A:
        """Send a request of `benchctl.messages`; returns its answer.

        timeout: seconds. Raises BoardError when the board refuses, restarts or does not answer, PortLost when it is
        gone, BenchctlError for a request that arms or moves something.
        """
        self._gate(request)
        if self._board.identity is None:
            self._board.open()
        return self._board.ask(request, timeout=timeout)

    def events(self, kind: type[E]) -> list[E]:
        """Events of a kind of `benchctl.messages` that have come since the last call."""
        return self._board.events(kind)
