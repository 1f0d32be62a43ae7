"""Benches with boards that are reached over the air: the bench underneath, with far boards in place of cabled ones."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence

from benchctl.bench import COME_BACK_S, Bench, Operator
from benchctl.benchfile import BenchSpec
from benchctl.declare import owner_wiring
from benchctl.errors import PortLost
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.over_air import FarBoard
from benchctl.session.port import Reach
from benchctl.terms import Role

#: while a stage lets time pass, what far boards have to say is fetched so often
FETCH_S = 0.02
#: no packets so shortly before the end of a wait
_SPARE_S = 0.006


def over_air(bench: Bench, spec: BenchSpec) -> Bench:
    """The bench itself, or with its far boards where the description has any (`via`)."""
    return RelayedBench(bench, spec) if any(board.via for board in spec.boards.values()) else bench


class RelayedBench:
    """Fulfils `bench.Bench`. under: the bench that the cabled boards are on; all but the far boards is its."""

    def __init__(self, under: Bench, spec: BenchSpec) -> None:
        self.under = under
        boards: dict[Role, Board] = {}
        for role, board in spec.boards.items():
            if board.via:
                boards[role] = FarBoard(
                    role, under.boards[Role(board.via)], owner_wiring(spec.pair, role, board.label, board.via)
                )
            else:
                boards[role] = under.boards[role]
        self.boards: Mapping[Role, Board] = boards
        self._far = [board for board in boards.values() if isinstance(board, FarBoard)]

    @property
    def name(self) -> str:
        return self.under.name

    @property
    def kind(self) -> str:
        return self.under.kind

    @property
    def simulated(self) -> bool:
        return self.under.simulated

    @property
    def seed(self) -> int:
        return self.under.seed

    @property
    def sha256(self) -> str:
        return self.under.sha256

    @property
    def images(self) -> Mapping[str, Mapping[str, str]]:
        return self.under.images

    @property
    def notes(self) -> Sequence[str]:
        return self.under.notes

    def plugged_in(self) -> Sequence[str]:
        return self.under.plugged_in()

    @property
    def late(self) -> int:
        return self.under.late

    @property
    def chance(self) -> random.Random:
        return self.under.chance

    @property
    def operator(self) -> Operator:
        return self.under.operator

    @operator.setter
    def operator(self, operator: Operator) -> None:
        self.under.operator = operator

    @property
    def halted(self) -> bool:
        return self.under.halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self.under.halted = value

    @property
    def pacer(self) -> Callable[[float], None] | None:
        return self.under.pacer

    @pacer.setter
    def pacer(self, pacer: Callable[[float], None] | None) -> None:
        self.under.pacer = pacer

    # ------------------------------------------------------------------ boards come and go

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """As the bench underneath; a far board is back when the one that relays to it is there."""
        board = self.boards[role]
        if not isinstance(board, FarBoard):
            return self.under.reopen(role, seconds)
        there = True
        try:
            board.near.poll()
        except PortLost:
            there = self.under.reopen(board.near.role, seconds)
        board.line.begun = False
        return there

    # ------------------------------------------------------------------ time

    def now(self) -> float:
        return self.under.now()

    def wait(self, seconds: float) -> None:
        """As the bench's. Meanwhile what far boards say is fetched, and what goes wrong then is raised here."""
        until = self.now() + max(0.0, seconds)
        open_ = [board.line for board in self._far if board.identity is not None]
        while open_ and (left := until - self.now()) > FETCH_S:
            self.under.wait(min(FETCH_S, left - _SPARE_S))
            for line in open_:
                line.fetch()
        self.under.wait(max(0.0, until - self.now()))

    def wait_input(self, deadline: float) -> bool:
        return self.under.wait_input(deadline)

    # ------------------------------------------------------------------ stopping

    def stop_all(self) -> Reach:
        """The bench's boards first, then the far ones through them."""
        near = self.under.stop_all()
        cabled = {role for role, board in self.boards.items() if not isinstance(board, FarBoard)}
        reached = tuple(role for role in near.reached if role in cabled)
        missed = {role: why for role, why in near.missed.items() if role in cabled}
        return Reach(reached, missed) | stop_ports({board.role: board.port for board in self._far})

    def close(self) -> None:
        self.under.close()
