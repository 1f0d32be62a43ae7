"""The real bench: boards on serial ports, real time, a real person."""

from __future__ import annotations

import hashlib
import random
import secrets
import threading
from collections.abc import Mapping, Sequence

from benchctl.bench import Operator
from benchctl.benchfile import BenchSpec
from benchctl.declare import declared
from benchctl.errors import UsageError
from benchctl.operators import NoOperator
from benchctl.ports import latency
from benchctl.ports.absent import AbsentPort
from benchctl.ports.assign import Assigned, Wanted, find_again, find_boards
from benchctl.ports.clock import WallClock
from benchctl.ports.discover import Candidate, Found
from benchctl.ports.port import SerialPort
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.declared import Declared
from benchctl.session.exchange import Exchange
from benchctl.terms import Role

#: how long a board that went away is waited for
COME_BACK_S = 15.0
#: patience with one port while looking for such a board
_LOOK_S = 2.5


def open_ports(
    spec: BenchSpec | None, labels: Mapping[Role, str], listed: Sequence[Candidate] | None = None
) -> PortsBench:
    """Open the boards of a bench file, or with None every board that answers on a port.

    labels: what boards must be called, with None. listed: the ports to look at in place of the system's list.
    A board of the file that is silent or not plugged in is lost from the start, and `reopen` looks for it again.
    Raises UsageError saying what was found instead of the boards.
    """
    wanted = _wanted(spec) if spec is not None else []
    return PortsBench(find_boards(wanted, listed, labels=labels), spec)


def _wanted(spec: BenchSpec) -> list[Wanted]:
    if not spec.boards:
        return []
    return [Wanted(role, b.label, b.port, b.baud) for role, b in spec.boards.items() if not b.via]


class PortsBench:
    """Fulfils `bench.Bench` with serial ports. See there; more: `reopen`, `notes`.

    seed: always fresh. Challenges to the operator are drawn from it, and a person must not know them beforehand.
    notes: sentences that the person should see before starting.
    """

    kind = "serial"
    simulated = False

    def __init__(self, found: Assigned, spec: BenchSpec | None = None) -> None:
        self.name = spec.name if spec is not None else "ports"
        self.sha256 = spec.sha256 if spec is not None else hashlib.sha256(b"ports").hexdigest()
        self.images: Mapping[str, Mapping[str, str]] = {}
        self.seed = secrets.randbits(31)
        self.chance = random.Random(self.seed)
        self._spec = spec
        self._clock = WallClock()
        self._operator: Operator = NoOperator()
        self._ports: dict[Role, SerialPort | AbsentPort] = {}
        self._closing = threading.RLock()
        self._closed = False
        self._boards: dict[Role, Board] = {}
        self.boards: Mapping[Role, Board] = self._boards
        for role, there in found.boards.items():
            self._take(self._board(role, there.label), there)
        for role, sentence in found.missing.items():
            self._ports[role] = self._board(role, "").port = AbsentPort(self._named_port(role), sentence)
        self.notes = [s for p in self._ports.values() if (s := latency.sentence(p.name, p.latency_ms))]

    def _board(self, role: Role, label: str) -> Board:
        in_file = self._spec is not None and role in self._spec.boards
        says = declared(self._spec, role) if self._spec is not None and in_file else Declared(label=label)
        self._boards[role] = Board(role, AbsentPort("", "not opened yet"), self._clock, says)
        return self._boards[role]

    def _take(self, board: Board, found: Found) -> None:
        """Put a found board behind its role."""
        assert found.line is not None
        found.line.wake = self._clock.wake
        self._ports[board.role] = board.port = found.line
        board.exchange = Exchange()
        board.identity = found.identity
        board.clear_restart()

    def _named_port(self, role: Role) -> str:
        return self._spec.boards[role].port if self._spec is not None and role in self._spec.boards else ""

    # ------------------------------------------------------------------ time

    def now(self) -> float:
        return self._clock.now()

    def wait(self, seconds: float) -> None:
        self._clock.wait(seconds)

    def wait_input(self, deadline: float) -> bool:
        return self._clock.wait_input(deadline)

    @property
    def halted(self) -> bool:
        return self._clock.halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self._clock.halted = value

    # ------------------------------------------------------------------ the operator

    @property
    def operator(self) -> Operator:
        return self._operator

    @operator.setter
    def operator(self, operator: Operator) -> None:
        """Raises UsageError for a modelled person: nobody would be watching real boards."""
        if operator.by == "simulated":
            raise UsageError("a bench of real boards needs a real operator, or none; a simulated one is refused")
        self._operator = operator

    # ------------------------------------------------------------------ stopping, closing

    def stop_all(self) -> None:
        """From any thread: the stop goes straight to every port; lost ports are passed over."""
        stop_ports(tuple(self._ports.values()))

    def close(self) -> None:
        with self._closing:
            if self._closed:
                return
            self._closed = True
            self.stop_all()
            for port in self._ports.values():
                port.close()

    # ------------------------------------------------------------------ plugged in again

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """Find a board that went away, or was not there yet, on whatever port; True when it is there.

        One that was here is known again by its label. It is not armed and its settings are as saved: whoever goes
        on with it has to set it up anew. Raises Stopped once halted.
        """
        board, old = self.boards[role], self._ports[role]
        old.close()
        known = board.identity is not None
        label = board.identity.label if board.identity is not None else board.declared.label
        wanted = Wanted(role, label, old.name, old.baud)
        deadline = self.now() + seconds
        while True:
            in_use = [p.name for r, p in self._ports.items() if r is not role]
            found = find_again(wanted, in_use, min(_LOOK_S, seconds), known=known)
            if found is not None:
                self._take(board, found)
                if self.halted:
                    # stopped while it was away: the stop did not reach it then
                    self.stop_all()
                return True
            if self.now() >= deadline:
                return False
            self.wait(0.1)
