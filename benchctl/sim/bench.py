"""The simulated bench: boards, air, supply, parts and person in virtual time behind the same bytes as real ones."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from benchctl.bench import COME_BACK_S, Operator
from benchctl.benchfile import BenchSpec
from benchctl.declare import owner_wiring
from benchctl.errors import Stopped
from benchctl.parts.agenda import Agenda
from benchctl.parts.harm import HarmLog
from benchctl.parts.world import World
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.port import Arrivals, Reach
from benchctl.sim.board import SimBoard
from benchctl.sim.line import SimPort
from benchctl.sim.peers import Peers
from benchctl.terms import Role

#: pulses of one frame after a stop, and the way of the bytes
STOP_TAKES = 0.03
#: bench seconds between two calls of the pacer
PACE_STEP = 0.02


class SimBench:
    """Fulfils `bench.Bench`. `agenda`, `world` and `chips` are there for tests and fault injection.

    seed: of all chance; the same bytes come for the same seed. loader_s: wait of the boards' boot loaders.
    """

    kind = "sim"
    simulated = True
    late = 0

    def __init__(self, spec: BenchSpec, *, loader_s: float = 0.0) -> None:
        self.name = spec.name
        self.seed = spec.seed
        self.sha256 = spec.sha256
        self.images: Mapping[str, Mapping[str, str]] = {}
        self._halted = False
        self.notes: Sequence[str] = ()
        self.chance = random.Random(f"{spec.seed} bench")
        self.agenda = Agenda()
        self.world = World(spec, self.agenda, random.Random(spec.seed))
        self.operator: Operator = self.world.operator
        self._arrivals = Arrivals()
        self._closed = False
        #: called every `PACE_STEP` of bench time with the bench's time; it may sleep, so that time passes as told
        self.pacer: Callable[[float], None] | None = None
        self._pace_due = 0.0
        self._urgent: deque[tuple[SimPort, bytes]] = deque()
        self.ports = {role: self._port(spec, role) for role in spec.boards}
        peers = Peers()
        self.chips = {
            role: SimBoard(spec, role, self.world, self.ports[role], self.agenda, peers, loader_s)
            for role in self.world.boards
        }
        self.boards: Mapping[Role, Board] = {
            role: Board(role, port, self, owner_wiring(spec.pair, role, spec.boards[role].label))
            for role, port in self.ports.items()
        }

        for role, board in spec.boards.items():
            if board.via:
                self.ports[role].plug(False)

    def _port(self, spec: BenchSpec, role: Role) -> SimPort:
        board = spec.boards[role]
        chance = random.Random(f"{spec.seed} {role} line")
        urge = self._urgent.append
        port = SimPort(
            f"sim:{role}", board.serial, board.baud, self.agenda, chance, self._wake, lambda p, d: urge((p, d))
        )
        port.heard = self.world.allowances[role]
        return port

    @property
    def harm(self) -> HarmLog:
        """What has gone wrong physically; truth, for tests and campaigns only."""
        return self.world.harm

    def _wake(self) -> None:
        self._arrivals.note()

    # ------------------------------------------------------------------ time

    def now(self) -> float:
        """Virtual seconds since the bench was opened."""
        return self.agenda.now

    def wait(self, seconds: float) -> None:
        """Let that much virtual time pass. Raises Stopped when the run has been stopped."""
        until = self.agenda.now + max(0.0, seconds)
        run_next = self.agenda.run_next if self.pacer is None else self._run_next_paced
        self._refuse_if_halted()
        while run_next(until):
            if self._urgent:
                self._serve_urgent()
            if self.halted:
                self._refuse_if_halted()

    def wait_input(self, deadline: float) -> bool:
        """See `session.port.Clock`. Raises Stopped when the run has been stopped."""
        self._refuse_if_halted()
        run_next = self.agenda.run_next if self.pacer is None else self._run_next_paced
        arrivals = self._arrivals
        while not arrivals.fresh:
            if not run_next(deadline):
                break
            if self._urgent:
                self._serve_urgent()
            if self.halted:
                self._refuse_if_halted()
        return arrivals.take(self.agenda.now, deadline)

    def _run_next_paced(self, until: float) -> bool:
        """`agenda.run_next` in steps that end where the pacer is due; True too when only such a step has passed."""
        step = min(until, self._pace_due)
        if self.agenda.run_next(step):
            return True
        now = self.agenda.now
        if now >= self._pace_due and self.pacer is not None:
            self._pace_due = now + PACE_STEP
            self.pacer(now)
        return now < until

    def _refuse_if_halted(self) -> None:
        if self._urgent:
            self._serve_urgent()
        if self.halted:
            self._settle()
            raise Stopped("the run has been stopped")

    # ------------------------------------------------------------------ stopping

    @property
    def halted(self) -> bool:
        return self._halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self._halted = value
        if value:
            for port in self.ports.values():
                port.shut()

    def stop_all(self) -> Reach:
        """Send every board the stop request, from any thread; in effect at the next step of the simulation."""
        return stop_ports(self.ports, self._halted)

    def _serve_urgent(self) -> None:
        while self._urgent:
            port, data = self._urgent.popleft()
            port.put_first(data)

    def _settle(self) -> None:
        """Let a stop that was sent take effect."""
        if self.agenda.now < self._settled:
            return
        self.stop_all()  # whoever halted the bench may not have come to it yet
        self._serve_urgent()
        self.agenda.run_to(self.agenda.now + STOP_TAKES)
        self._settled = float("inf")

    _settled = 0.0

    def close(self) -> None:
        """Stop all, let it take effect, let go of the ports. May be called twice."""
        if self._closed:
            return
        self._closed = True
        self.stop_all()
        self._serve_urgent()
        self.agenda.run_to(self.agenda.now + STOP_TAKES)
        for port in self.ports.values():
            port.close()

    # ------------------------------------------------------------------ supply and cable

    def plugged_in(self) -> Sequence[str]:
        """See `bench.Bench`."""
        return ()

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """See `bench.Bench`: a modelled port is always the same."""
        return True

    def power_off(self, role: Role) -> None:
        """Unplug a board from every supply."""
        self.world.power_off(role)

    def power_on(self, role: Role) -> None:
        self.world.power_on(role)
