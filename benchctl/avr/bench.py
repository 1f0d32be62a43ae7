"""The avr bench: real firmware on simulated chips, the modelled world on their pins, one simulated time."""

from __future__ import annotations

import hashlib
import random
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from benchctl import shipped
from benchctl.avr.board import ChipOnBoard
from benchctl.avr.lockstep import SLICE_S, WIRED_SLICE_S, Lockstep
from benchctl.avr.port import AvrPort
from benchctl.bench import Operator
from benchctl.benchfile import BenchSpec, WireSpec
from benchctl.declare import declared
from benchctl.errors import BenchctlError, Stopped, UsageError
from benchctl.parts.agenda import Agenda
from benchctl.parts.world import World, stored_settings
from benchctl.safety.stop import stop_ports
from benchctl.session.board import Board
from benchctl.session.port import Arrivals
from benchctl.terms import Role

#: bench time that a stop gets to reach the chips when nobody else lets time pass
STOP_S = 0.03
#: bench seconds between two calls of the pacer
PACE_STEP_S = 0.02
#: after a power-on the probe answers by then
UP_S = 0.15
#: speed of a chip whose EEPROM is empty, and the speeds in the order of the setting `baud_code`
FIRST_BAUD = 500_000
_BAUDS = (500_000, 250_000, 115_200, 1_000_000)


class AvrBench:
    """Fulfils `bench.Bench`. See there; more: `world`, `chips` for tests.

    images: firmware by role in place of the bench file's or the shipped probe. A board that runs our protocol has its
    role, label and the file's settings in EEPROM before the bench is handed over, as its owner would have stored them.
    Raises UsageError when the simulator library or an image is missing.
    """

    kind = "avr"
    simulated = True

    def __init__(self, spec: BenchSpec, images: Mapping[Role, str] | None = None) -> None:
        self.name, self.sha256, self.seed = spec.name, spec.sha256, spec.seed
        self.chance = random.Random(self.seed)
        given = [r for r, board in spec.boards.items() if r in (images or {}) or board.image]
        self.images: Mapping[str, Mapping[str, str]] = {str(r): _told(self._image(r, images or {})) for r in given}
        self._halted = False
        self._spec = spec
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
                board,
                self._image(role, images),
                self._agenda,
                self.seed,
                late,
                {_point(w.to) for w in apart if _role(w.to) is role},
                {_point(w.to) for w in jumpers if _role(w.to) is role},
            )
            for role, board in self.world.boards.items()
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
        return shipped.image(board.clock_hz)

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
            role: Board(role, port, self, declared(self._spec, role)) for role, port in self._ports.items()
        }

    def _store_settings(self) -> None:
        """Over the wire, at the firmware's first speed; then every board is switched on anew, its RAM forgotten."""
        for port in self._ports.values():
            port.set_baud(FIRST_BAUD)
        self.wait(UP_S)
        for role, board in self.boards.items():
            try:
                board.poll()
                board.clear_restart()  # the boot message was expected
                board.ask("identify", timeout=0.05)
                self._store(role, board)
            except BenchctlError:
                pass  # no supply, or firmware of somebody else: the stages will say so
            self._ports[role].set_baud(self._spec.boards[role].baud)
        for role, unit in self._units.items():
            unit.switch_on_anew()
            self._ports[role].forget()
        self._make_boards()

    def _store(self, role: Role, board: Board) -> None:
        owner = declared(self._spec, role)
        settings = {"baud_code": _BAUDS.index(self._spec.boards[role].baud), **owner.settings}
        for name, value in {**settings, **stored_settings(self._spec, role)}.items():
            board.write_setting(name, value)
        for function, pin in owner.pins.items():
            board.write_pin(function, pin)
        for channel, kind in enumerate(owner.pulse_kinds, 1):
            board.write_pulse_kind(channel, kind)
        board.save_settings()

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

    # ---- stopping, closing

    @property
    def halted(self) -> bool:
        return self._halted

    @halted.setter
    def halted(self, value: bool) -> None:
        self._halted = value
        self._lockstep.stop()  # a wait that is going on looks at once

    def stop_all(self) -> None:
        """From any thread. While time passes elsewhere the stop goes out there; else some time passes here for it."""
        if self._closed:
            return
        stop_ports(tuple(self._ports.values()))
        if self._running.acquire(blocking=False):
            try:
                until = self.now() + STOP_S
                while self.now() < until:
                    self._run(until)
            finally:
                self._running.release()

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
