"""The avr bench: real firmware on simulated chips, the modelled world on their pins, one simulated time."""

from __future__ import annotations

import hashlib
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from benchctl import shipped
from benchctl.avr.board import ChipOnBoard
from benchctl.avr.lockstep import SLICE_S, WIRED_SLICE_S, Lockstep
from benchctl.avr.port import AvrPort
from benchctl.bench import COME_BACK_S, Operator
from benchctl.benchfile import BenchSpec, WireSpec
from benchctl.declare import owner_wiring
from benchctl.errors import BenchctlError, Stopped, UsageError
from benchctl.parts.agenda import Agenda
from benchctl.parts.harm import HarmLog
from benchctl.parts.world import World
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.port import Arrivals, Reach
from benchctl.terms import Role
from benchctl.told import eeprom_of, stored
from benchctl.wire.catalogue import BAUDS

#: bench time that a stop gets to reach the chips when nobody else lets time pass
STOP_S = 0.03
#: bench seconds between two calls of the pacer
PACE_STEP_S = 0.02


class AvrBench:
    """Fulfils `bench.Bench`. See there; more: `world`, `chips` for tests.

    images: firmware by role in place of the bench file's or the shipped probe. Role, label and the file's settings are
    in EEPROM from the start, as its owner would have stored them.
    Raises UsageError when the simulator library or an image is missing.
    """

    kind = "avr"
    simulated = True
    late = 0

    def __init__(self, spec: BenchSpec, images: Mapping[Role, str] | None = None) -> None:
        self.name, self.sha256, self.seed = spec.name, spec.sha256, spec.seed
        self._spec = spec
        self.notes: Sequence[str] = ()
        self.chance = random.Random(self.seed)
        given = [r for r, board in spec.boards.items() if r in (images or {}) or board.image]
        self.images: Mapping[str, Mapping[str, str]] = {str(r): _told(self._image(r, images or {})) for r in given}
        self._halted = False
        self._agenda = Agenda()
        self.world = World(spec, self._agenda, random.Random(self.seed))
        self.operator: Operator = self.world.operator
        #: called every `PACE_STEP_S` of bench time with the bench's time; it may sleep, so that time passes as told
        self.pacer: Callable[[float], None] | None = None
        self._running = threading.Lock()
        self._closed = False
        self._make_chips(images or {})
        self.world.on_held(lambda role, held, time: self._units[role].supply_held(held))
        self.world.on_memory_lost(lambda role, time: self._units[role].memory_lost())
        self._make_ports()
        self._store_settings()

    # ---- making

    def _make_chips(self, images: Mapping[Role, str]) -> None:
        joined = [w for w in self._spec.wires if not w.open]
        apart = [w for w in joined if _role(w.start) is not _role(w.to)]
        late = WIRED_SLICE_S if apart else SLICE_S
        jumpers = [w for w in joined if self._joins_pins(w)]
        self._units = {
            role: ChipOnBoard(
                self.world,
                role,
                self._image(role, images),
                self._agenda,
                self.seed,
                late,
                {_point(w.to) for w in apart if _role(w.to) is role},
                {_point(w.to) for w in jumpers if _role(w.to) is role},
            )
            for role in self.world.boards
        }
        self.chips = {role: unit.chip for role, unit in self._units.items()}
        self._lockstep = Lockstep(self._agenda, list(self.chips.values()), wired=bool(apart))
        for wire in jumpers:
            self.chips[_role(wire.start)].wire(self._pin(wire.start), self.chips[_role(wire.to)], self._pin(wire.to))

    def _pin(self, end: str) -> str:
        return self.world.boards[_role(end)].pins.get(_point(end), "")

    def _joins_pins(self, wire: WireSpec) -> bool:
        """Whether a jumper leads from one chip's pin to an input of a chip; others lead through parts."""
        target = self.world.boards[_role(wire.to)]
        digital = _point(wire.to) in target.inputs and _point(wire.to) not in target.switches
        return digital and bool(self._pin(wire.start)) and bool(self._pin(wire.to))

    def _image(self, role: Role, images: Mapping[Role, str]) -> Path:
        if role in images:
            return Path(images[role])
        board = self._spec.boards[role]
        if board.image:
            return Path(self._spec.path).parent / board.image
        return shipped.image(board.clock_hz, role)

    def _make_ports(self) -> None:
        step = self._lockstep
        self._arrivals = Arrivals()
        self._ports = {
            role: AvrPort(
                f"avr:{role}", unit, self._agenda, random.Random(f"{self.seed} {role} cable"), self._arrived, step.stop
            )
            for role, unit in self._units.items()
        }
        step.on_output = self._collect
        self._make_boards()

    def _arrived(self) -> None:
        self._arrivals.note()
        self._lockstep.stop()

    def _make_boards(self) -> None:
        self.boards: Mapping[Role, Board] = {
            role: Board(role, port, self, self._declared(role)) for role, port in self._ports.items()
        }

    def _declared(self, role: Role) -> OwnerWiring:
        return owner_wiring(self._spec.pair, role, self._spec.boards[role].label)

    def _store_settings(self) -> None:
        """As its owner has told the board before; firmware of somebody else takes no notice of it."""
        for role, chip in self.chips.items():
            board = self._spec.boards[role]
            if board.told:
                chip.write_eeprom(eeprom_of(self._spec, role))
                self.world.allowances[role].store(stored(self._spec, role), board.outputs_confirmed)
            self._ports[role].set_baud(board.baud if board.told else BAUDS[0])
            if board.via:
                self._ports[role].close()

    @property
    def harm(self) -> HarmLog:
        """What has gone wrong physically; truth, for tests and campaigns only."""
        return self.world.harm

    # ---- time

    def now(self) -> float:
        return self._agenda.now

    def wait(self, seconds: float) -> None:
        """Let that much simulated time pass. Raises Stopped once `halted`."""
        until = self.now() + seconds
        while self.now() < until:
            self._pass_time(until)

    def wait_input(self, deadline: float) -> bool:
        """See `session.port.Clock`. Raises Stopped once `halted`."""
        while not self._arrivals.fresh and self.now() < deadline:
            self._pass_time(deadline)
        return self._arrivals.take(self.now(), deadline)

    def _pass_time(self, until: float) -> None:
        if self._halted:
            raise Stopped("the run was stopped")
        pacer = self.pacer
        with self._running:
            self._run(until if pacer is None else min(until, self.now() + PACE_STEP_S))
        if pacer is not None:
            pacer(self.now())

    def _run(self, until: float) -> None:
        for port in self._ports.values():
            port.flush()
        self._lockstep.run_until(until)

    def _collect(self) -> None:
        for port in self._ports.values():
            port.collect()

    def plugged_in(self) -> Sequence[str]:
        """See `bench.Bench`."""
        return ()

    def reopen(self, role: Role, seconds: float = COME_BACK_S) -> bool:
        """See `bench.Bench`: a modelled port is always the same."""
        return True

    # ---- stopping, closing

    @property
    def halted(self) -> bool:
        return self._halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self._halted = value
        if value:
            for port in self._ports.values():
                port.shut()
        self._lockstep.stop()  # a wait that is going on looks at once

    def stop_all(self) -> Reach:
        """From any thread. While time passes elsewhere the stop goes out there; else some time passes here for it."""
        if self._closed:
            return Reach()
        reach = stop_ports(self._ports, self._halted)
        if self._running.acquire(blocking=False):
            try:
                until = self.now() + STOP_S
                while self.now() < until:
                    self._run(until)
            finally:
                self._running.release()
        return reach

    def close(self) -> None:
        """Stop all, then give the chips' memory back. May be called twice."""
        if self._closed:
            return
        try:
            self.stop_all()
        except BenchctlError:
            pass  # a chip that crashed drives nothing any more
        finally:
            self._closed = True
            for port in self._ports.values():
                port.close()
            self._lockstep.close()


def _told(path: Path) -> dict[str, str]:
    """What a run's record says of an image. Raises UsageError when it cannot be read."""
    try:
        return {"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    except OSError as e:
        raise UsageError(f"{path}: the firmware image cannot be read ({e.strerror})") from e


def _role(end: str) -> Role:
    return Role(end.partition(".")[0])


def _point(end: str) -> str:
    return end.partition(".")[2]
