"""One simulated board: power, resets, boot loader, and the life of the probe on it."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.benchfile import BenchSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.fuses import fuses_of
from benchctl.parts.world import World
from benchctl.sim.groups import add_groups
from benchctl.sim.images import image
from benchctl.sim.line import SimPort
from benchctl.sim.peers import Peers, Receiver
from benchctl.sim.probe import Chip, Probe, Start, SurvivingRam
from benchctl.sim.settings import Eeprom
from benchctl.sim.timing import timing
from benchctl.sim.wiring import Wiring
from benchctl.terms import Role
from benchctl.told import stored
from benchctl.wire.catalogue import BAUDS, CauseFrom, ResetCause

#: MCUSR bits (ATmega328P data sheet, section 10.9)
PORF, EXTRF, BORF, WDRF = 1, 2, 4, 8
_FLAGS = {
    ResetCause.POWER_ON: PORF, ResetCause.EXTERNAL: EXTRF, ResetCause.BROWN_OUT: BORF,
    ResetCause.WATCHDOG: WDRF, ResetCause.REQUESTED: WDRF,
}  # fmt: skip
#: DTR through 100 nF against the pull-up of 10 kΩ holds the line low for about so long; common practice
LINE_LOW = 1e-3


class SimBoard:
    """The chip on one board of the world. loader_s: how long its boot loader waits after a reset; 0 is none."""

    def __init__(
        self, spec: BenchSpec, role: Role, world: World, port: SimPort, agenda: Agenda, peers: Peers,
        loader_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.role = role
        self.parts = parts = world.boards[role]
        self.port = port
        self.loader_s = loader_s
        self.probe: Probe | None = None
        board = spec.boards[role]
        self._agenda = agenda
        self._allowance = world.allowances[role]
        self._remains = SurvivingRam()
        self._loader_loops = spec.boards[role].loader_loops
        #: since a watchdog's reset that its boot loader does not end
        self._lost_in_loader = False
        #: into this life, without a reset
        self._jumped = False
        self._starting: Entry | None = None
        self._peers = peers
        self._receiver: Callable[[], Receiver | None] = lambda: None
        chance = random.Random(f"{spec.seed} {role} chip")
        kept = stored(spec, role) if board.told else None
        self._allowance.store(kept or {}, board.outputs_confirmed)
        wiring = Wiring(parts, agenda, chance, world.nets)
        self.chip = Chip(
            agenda, chance, timing(board.clock_hz), parts.oscillator, port, wiring,
            Eeprom(kept, board.outputs_confirmed), board.clock_hz, image(board.clock_hz, role),
            fuses_of(board), self.reset,
        )  # fmt: skip
        peers.join(parts.radio, lambda: self._receiver())
        port.on_bytes = self._bytes
        port.on_reset = lambda: self.reset(ResetCause.EXTERNAL)
        parts.on_hang.append(self.hang)
        parts.on_held.append(self._held)
        parts.on_memory_lost.append(self._memory_lost)
        if not parts.held:
            self._start(ResetCause.POWER_ON)

    # ------------------------------------------------------------------ lives

    def reset(self, cause: ResetCause) -> None:
        """End this life, and begin another unless the supply forbids."""
        told = self.probe is not None and bool(self.probe.settings.number("loader_loops"))
        self._jumped = told and cause is ResetCause.REQUESTED
        self._stop()
        if cause is ResetCause.EXTERNAL:
            now, line = self._agenda.now, self.parts.reset_line
            line.set(0.0, now)
            self._agenda.at(now + LINE_LOW, line.set, 1.0, now + LINE_LOW)
        by_watchdog = cause in (ResetCause.WATCHDOG, ResetCause.REQUESTED) and not self._jumped
        self._lost_in_loader |= by_watchdog and self._loader_loops
        if not self.parts.held:
            self._start(cause)

    def hang(self) -> None:
        """The main loop stops coming round, as a program fault would have it; the watchdog ends that."""
        if self.probe is not None:
            self.probe.hung = True
            self.probe.later(self.chip.timing.watchdog, self.reset, ResetCause.WATCHDOG)

    def _stop(self) -> None:
        if self._starting is not None:
            self._starting.cancel()
            self._starting = None
        if self.probe is not None:
            self._remains = self.probe.end()
            self.probe = None
        self._allowance.restarted(self._agenda.now)
        self._receiver = lambda: None
        self.port.restart()
        self.chip.hardware.release_all()

    def _start(self, cause: ResetCause) -> None:
        """First instruction after the start-up time, boot message after the boot loader's wait."""
        if self._lost_in_loader and cause is not ResetCause.POWER_ON:
            return  # until its supply has been off
        self._lost_in_loader = False
        t = self.chip.timing
        wait = (t.start_up if cause in (ResetCause.POWER_ON, ResetCause.BROWN_OUT) else 0.0) + self.loader_s + t.init
        self._starting = self._agenda.after(wait, self._begin, cause)

    def _begin(self, cause: ResetCause) -> None:
        self._starting = None
        chip = self.chip
        learnt = CauseFrom.LOADER if self.loader_s else CauseFrom.FLAGS
        if self._jumped:
            learnt, self._jumped = CauseFrom.INFERRED, False
        self.probe = probe = Probe(chip, Start(cause, _FLAGS.get(cause, 0), learnt), self._remains)
        self.port.board_baud = BAUDS[probe.settings.number("baud_code")]
        self._receiver = add_groups(probe, self._peers)
        self._remains = SurvivingRam()

    # ------------------------------------------------------------------ supply

    def _held(self, role: Role, held: bool, time: float) -> None:
        if held:
            self._stop()
        else:
            lost = not self._remains.survived
            self._start(ResetCause.POWER_ON if lost else ResetCause.BROWN_OUT)

    def _memory_lost(self, role: Role, time: float) -> None:
        self._stop()
        self._remains = SurvivingRam()

    def _bytes(self, data: bytes, time: float) -> None:
        if self.probe is not None:
            self.probe.take(data, time)
