"""Benches with boards that are reached over the air: the bench underneath, with far boards in place of cabled ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from benchctl.bench import Bench
from benchctl.benchfile import BenchSpec
from benchctl.declare import declared
from benchctl.errors import PortLost
from benchctl.safety.stop import STOP_FRAME
from benchctl.session.board import Board
from benchctl.session.over_air import FarBoard
from benchctl.terms import Role

#: while a stage lets time pass, what far boards have to say is fetched so often
FETCH_S = 0.02
#: no packets so shortly before the end of a wait
_SPARE_S = 0.006


def over_air(bench: Any, spec: BenchSpec) -> Bench:
    """The bench itself, or with its far boards where the description has any (`via`)."""
    return ReachBench(bench, spec) if any(board.via for board in spec.boards.values()) else bench


class ReachBench:
    """Fulfils `bench.Bench`; all but waiting, stopping and the far boards is the bench's underneath.

    A far board's own cable, where the bench underneath models one, is unplugged.
    """

    def __init__(self, bench: Any, spec: BenchSpec) -> None:
        self._bench = bench
        boards: dict[Role, Board] = {}
        for role, board in spec.boards.items():
            if board.via:
                self._unplug(bench.boards.get(role))
                boards[role] = FarBoard(role, bench.boards[Role(board.via)], declared(spec, role))
            else:
                boards[role] = bench.boards[role]
        self.boards: Mapping[Role, Board] = boards
        self._far = [board for board in boards.values() if isinstance(board, FarBoard)]

    @staticmethod
    def _unplug(board: Board | None) -> None:
        if board is not None:
            plug = getattr(board.port, "plug", None)
            if plug is not None:
                plug(False)
            board.port.close()

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._bench, name)
        return self._reopener(found) if name == "reopen" else found

    def _reopener(self, reopen: Callable[..., bool]) -> Callable[..., bool]:
        """Where boards come and go: a far one is back when the one that relays to it is there."""

        def again(role: Role, *more: float) -> bool:
            board = self.boards[role]
            if not isinstance(board, FarBoard):
                return reopen(role, *more)
            there = True
            try:
                board.near.poll()
            except PortLost:
                there = reopen(board.near.role, *more)
            board.line.begun = False
            return there

        return again

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("_bench", "_far", "boards"):
            object.__setattr__(self, name, value)
        else:
            setattr(self._bench, name, value)

    # ------------------------------------------------------------------ time

    def wait(self, seconds: float) -> None:
        """As the bench's. Meanwhile what far boards say is fetched, and what goes wrong then is raised here."""
        until = self._bench.now() + max(0.0, seconds)
        open_ = [board.line for board in self._far if board.identity is not None]
        while open_ and (left := until - self._bench.now()) > FETCH_S:
            self._bench.wait(min(FETCH_S, left - _SPARE_S))
            for line in open_:
                line.fetch()
        self._bench.wait(max(0.0, until - self._bench.now()))

    # ------------------------------------------------------------------ stopping

    def stop_all(self) -> None:
        """The bench's boards first, then the far ones through them."""
        self._bench.stop_all()
        for board in self._far:
            try:
                board.port.urgent(STOP_FRAME)
            except PortLost:
                continue
