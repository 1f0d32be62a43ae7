"""One simulated board: power, resets, boot loader, and the life of the probe on it."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.benchfile import BenchSpec
from benchctl.declare import declared, pin_code
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.board import Board as Parts
from benchctl.parts.world import stored_settings
from benchctl.sim.groups import add_groups
from benchctl.sim.images import image
from benchctl.sim.line import SimPort
from benchctl.sim.peers import Peers, Receiver
from benchctl.sim.probe import Chip, Probe, Remains, Start
from benchctl.sim.settings import CHANNELS, Eeprom, defaults
from benchctl.sim.timing import timing
from benchctl.sim.wiring import Wiring
from benchctl.terms import Role
from benchctl.wire.catalogue import (
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTING_BY_NAME,
    CauseFrom,
    Function,
    ResetCause,
)

#: MCUSR bits (ATmega328P data sheet, section 10.9)
PORF, EXTRF, BORF, WDRF = 1, 2, 4, 8
_FLAGS = {
    ResetCause.POWER_ON: PORF, ResetCause.EXTERNAL: EXTRF, ResetCause.BROWN_OUT: BORF,
    ResetCause.WATCHDOG: WDRF, ResetCause.REQUESTED: WDRF,
}  # fmt: skip
#: DTR through 100 nF against the pull-up of 10 kΩ holds the line low for about so long; common practice
LINE_LOW = 1e-3
BAUDS = (500_000, 250_000, 115_200, 1_000_000)


def stored(spec: BenchSpec, role: Role) -> dict[int, bytes]:
    """What the board's EEPROM holds: defaults, and over them what the bench file says."""
    board = spec.boards[role]
    values = defaults()
    texts = {**stored_settings(spec, role)}
    texts.setdefault("baud_code", BAUDS.index(board.baud))
    texts.setdefault("self_stimulus", int(board.self_stimulus_safe))
    texts.setdefault("led_active_low", int(board.led.active_low))
    for name, value in texts.items():
        key = SETTING_BY_NAME[name].key
        width = len(values[key])
        values[key] = value.to_bytes(width, "little") if isinstance(value, int) else value.encode().ljust(width, b"\0")
    for name, pin in board.pins.items():
        values[PIN_KEYS + Function[name.upper()]] = bytes((pin_code(pin),))
    kinds = declared(spec, role).pulse_kinds
    for channel in range(CHANNELS):
        values[PULSE_KIND_KEYS + channel] = bytes((kinds[channel] if kinds else 0,))
    return values


class SimBoard:
    """The chip on one board of the world. loader_s: how long its boot loader waits after a reset; 0 is none."""

    def __init__(
        self, spec: BenchSpec, role: Role, parts: Parts, port: SimPort, agenda: Agenda, peers: Peers,
        loader_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.role = role
        self.parts = parts
        self.port = port
        self.loader_s = loader_s
        self.probe: Probe | None = None
        board = spec.boards[role]
        self._agenda = agenda
        self._remains = Remains()
        self._starting: Entry | None = None
        self._peers = peers
        self._receiver: Callable[[], Receiver | None] = lambda: None
        chance = random.Random(f"{spec.seed} {role} chip")
        wiring = Wiring(parts, agenda, chance)
        self.chip = Chip(
            agenda, chance, timing(board.clock_hz), parts.oscillator, port, wiring, Eeprom(stored(spec, role)),
            board.clock_hz, image(board.clock_hz), self.reset,
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
        self._stop()
        if cause is ResetCause.EXTERNAL:
            now, line = self._agenda.now, self.parts.reset_line
            line.set(0.0, now)
            self._agenda.at(now + LINE_LOW, line.set, 1.0, now + LINE_LOW)
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
        self._receiver = lambda: None
        self.port.restart()
        self.chip.hardware.release_all()

    def _start(self, cause: ResetCause) -> None:
        """First instruction after the start-up time, boot message after the boot loader's wait."""
        t = self.chip.timing
        wait = (t.start_up if cause in (ResetCause.POWER_ON, ResetCause.BROWN_OUT) else 0.0) + self.loader_s + t.init
        self._starting = self._agenda.after(wait, self._begin, cause)

    def _begin(self, cause: ResetCause) -> None:
        self._starting = None
        chip = self.chip
        learnt = CauseFrom.LOADER if self.loader_s else CauseFrom.FLAGS
        self.probe = probe = Probe(chip, Start(cause, _FLAGS.get(cause, 0), learnt), self._remains)
        self.port.board_baud = BAUDS[probe.settings.number("baud_code")]
        self._receiver = add_groups(probe, self._peers)
        self._remains = Remains()

    # ------------------------------------------------------------------ supply

    def _held(self, role: Role, held: bool, time: float) -> None:
        if held:
            self._stop()
        else:
            lost = not self._remains.survived
            self._start(ResetCause.POWER_ON if lost else ResetCause.BROWN_OUT)

    def _memory_lost(self, role: Role, time: float) -> None:
        self._stop()
        self._remains = Remains()

    def _bytes(self, data: bytes, time: float) -> None:
        if self.probe is not None:
            self.probe.take(data, time)
