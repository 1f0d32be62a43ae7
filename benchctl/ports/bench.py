"""The real bench: boards on serial ports, real time, a real person."""

from __future__ import annotations

import hashlib
import random
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from benchctl.bench import COME_BACK_S, Operator
from benchctl.benchfile import BenchSpec
from benchctl.declare import owner_wiring
from benchctl.errors import UsageError
from benchctl.operators import NoOperator
from benchctl.ports import latency
from benchctl.ports.absent import AbsentPort
from benchctl.ports.assign import Assigned, Wanted, boards_besides, device, devices, find_again, find_boards
from benchctl.ports.clock import WallClock
from benchctl.ports.discover import Candidate, Found, State
from benchctl.ports.patience import Patience
from benchctl.ports.port import SerialPort
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.exchange import Exchange
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.port import Reach
from benchctl.terms import Role

#: how long closing waits for a line that takes no bytes to take the stop
CLOSING_S = 0.3
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


def open_later(spec: BenchSpec | None, labels: Mapping[Role, str]) -> PortsBench:
    """A bench on which nothing is plugged in yet: each board is looked for when a stage first needs it.

    With None: a pair that nobody has said anything of; labels: what its boards are called all the same.
    """
    roles = (Role.HAND, Role.CRAFT) if spec is None else [w.role for w in _wanted(spec)]
    return PortsBench(Assigned(missing=dict.fromkeys(roles, "not plugged in yet")), spec, labels)


def _wanted(spec: BenchSpec) -> list[Wanted]:
    if not spec.boards:
        return []
    return [Wanted(role, b.label, b.port, b.baud) for role, b in spec.boards.items() if not b.via]


class PortsBench:
    """Fulfils `bench.Bench` with serial ports.

    seed: always fresh. Challenges to the operator are drawn from it, and a person must not know them beforehand.
    """

    kind = "ports"
    simulated = False

    def __init__(
        self, found: Assigned, spec: BenchSpec | None = None, labels: Mapping[Role, str] = MappingProxyType({})
    ) -> None:
        self.name = spec.name if spec is not None else "ports"
        self.sha256 = spec.sha256 if spec is not None else hashlib.sha256(b"ports").hexdigest()
        self.images: Mapping[str, Mapping[str, str]] = {}
        self.seed = secrets.randbits(31)
        self.chance = random.Random(self.seed)
        self.pacer: Callable[[float], None] | None = None
        self._spec = spec
        self._clock = WallClock()
        self._operator: Operator = NoOperator()
        self._ports: dict[Role, SerialPort | AbsentPort] = {}
        self._patience = Patience()
        self._closing = threading.RLock()
        self._closed = False
        #: ports that were there before anybody was asked to plug a board in, as far as they have been there since
        self._old = devices() if found.missing else set()
        self._boards: dict[Role, Board] = {}
        self.boards: Mapping[Role, Board] = self._boards
        for role, there in found.boards.items():
            self._take(self._board(role, there.label), there)
        for role, sentence in found.missing.items():
            self._ports[role] = self._board(role, labels.get(role, "")).port = AbsentPort(
                self._named_port(role), sentence
            )
        self.notes = [s for p in self._ports.values() if (s := latency.sentence(p.name, p.latency_ms))]

    def _board(self, role: Role, label: str) -> Board:
        says = OwnerWiring(label=label)
        if self._spec is not None and role in self._spec.boards:
            board = self._spec.boards[role]
            says = owner_wiring(self._spec.pair, role, board.label or label, board.via)
        self._boards[role] = Board(role, AbsentPort("", "not opened yet"), self._clock, says)
        return self._boards[role]

    def _take(self, board: Board, found: Found) -> None:
        """Put a found board behind its role."""
        assert found.line is not None
        found.line.wake = self._clock.wake
        self._ports[board.role] = board.port = found.line
        if self._clock.halted:
            found.line.shut()
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
        if value:
            # a port that is put in place meanwhile sees the flag
            self._clock.flag()
            for port in tuple(self._ports.values()):
                port.shut()
        self._clock.halted = value

    @property
    def late(self) -> int:
        """How often this computer has let two seconds pass unattended, in suspend for example."""
        return self._clock.late

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

    def stop_all(self) -> Reach:
        """From any thread: the stop goes straight to every port; for full ones it is tried on by another thread."""
        reach = stop_ports(dict(self._ports), self.halted)
        self._patience.go_on(reach, self._ports, self.halted)
        return reach

    def close(self) -> None:
        with self._closing:
            if self._closed:
                return
            self._closed = True
            self.stop_all()
            self._patience.wait(CLOSING_S)
            for port in self._ports.values():
                port.close()

    # ------------------------------------------------------------------ plugged in again

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """See `bench.Bench`; on whatever port. A board that was here is known again by its label.

        Raises Stopped once halted.
        """
        board, old = self.boards[role], self._ports[role]
        old.close()
        known = board.identity is not None
        label = board.identity.label if board.identity is not None else board.wiring.label
        wanted = Wanted(role, label, old.name, old.baud)
        deadline = self.now() + seconds
        while True:
            in_use = [p.name for r, p in self._ports.items() if r is not role]
            self._old &= devices()
            told: list[Found] = []
            found = find_again(wanted, in_use, min(_LOOK_S, seconds), known=known, old=self._old, told=told)
            if found is not None:
                self._take(board, found)
                if self.halted:
                    # stopped while it was away: the stop did not reach it then
                    self.stop_all()
                return True
            if self.now() >= deadline:
                if not known:
                    self._ports[role] = board.port = self._absent(role, old.name, told)
                return False
            self.wait(0.1)

    def _absent(self, role: Role, name: str, told: Sequence[Found]) -> AbsentPort:
        """Why a board that has never been seen is not there yet, by what was found in its place."""
        new = [f for f in told if f.state is State.BOARD and not f.label]
        bare = [f for f in told if f.state in _TO_FLASH or f.loader]
        if new:
            return AbsentPort(name, _which(role, new))
        if bare:
            return AbsentPort(name, f"the {role} board does not answer yet: {bare[0].sentence}", bare[0].port)
        if any(device(f.port) not in self._old for f in told):
            said = "; ".join(f.sentence for f in told if device(f.port) not in self._old)
            return AbsentPort(name, f"the {role} board does not answer yet: {said}")
        return AbsentPort(
            name,
            f"no new serial port has appeared for the {role} board: is it plugged in, is the cable one that carries "
            f"data (some only charge), has its USB chip a driver?",
        )

    def plugged_in(self) -> Sequence[str]:
        """See `bench.Bench`: the boards that answer and can be of this bench."""
        wanted = {board.wiring.label for board in self.boards.values()} - {""}
        open_ = {device(p.name) for p in self._ports.values() if isinstance(p, SerialPort) and not p.lost}
        found = boards_besides(open_, _LOOK_S)
        ours = [f.sentence for f in found if not f.label or not wanted or f.label in wanted]
        return [*(f"{name}: it is open, and its board answers" for name in sorted(open_)), *ours]


#: what is found where the right program is missing
_TO_FLASH = (State.LOADER, State.WRONG_IMAGE)


def _which(role: Role, new: Sequence[Found]) -> str:
    """Nobody can tell which board is meant: what to do so that it is known."""
    where = ", ".join(f.port for f in new)
    if len(new) == 1:
        return (
            f"a board that nobody has set up yet was plugged in before it was asked for, on {where}: unplug it, and "
            f"plug it in again if it is the {role} unit"
        )
    return (
        f"several boards that nobody has set up yet answer, on {where}: unplug all of them, then plug in the {role} "
        f"unit only"
    )
