"""Kill the host process while the motor turns, and measure on the motor pin how long it goes on."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from proof_rig import Pulses

from benchctl import benches, benchfile
from benchctl.ports.clock import WallClock
from benchctl.serve import as_serial, make_server
from benchctl.terms import Role

BENCH = 'name = "alone"\npair = "mudlark"\nonly = ["craft"]\n[board.craft]\noutputs_confirmed = true\n'
IDLE_US = 1000
#: keep-alive, one frame, the guard's millisecond
PROMISED_S = 0.250 + 0.020 + 0.001
#: a request written just before the kill is still on its way: the server's step, USB, 14 bytes at 500 kBd, one turn
ON_THE_WAY_S = 0.003
#: a host that has not got the motor to turn by then is broken (seconds of the machine)
PATIENCE_S = 60.0
STARTS = 12


@dataclass(slots=True)
class Kill:
    """Bench times. idle_after: from the kill to the first idle pulse, past the last one above idle."""

    at: float
    throttle_us: float
    idle_after: float
    pulses_after: int


@dataclass
class Killer:
    """One kill: told by the server's loop; waits until the motor turns, then a random while more."""

    bench: Any
    pulses: Pulses
    served: Path
    delay: float
    through: str = ""
    clock: WallClock = field(default_factory=WallClock)
    began: float = 0.0
    at: float = 0.0
    starts: int = 0

    def __post_init__(self) -> None:
        self.host = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        self.starts += 1
        return subprocess.Popen([sys.executable, str(Path(__file__).with_name("host_ramp.py")), str(self.served), self.through])

    def done(self) -> bool:
        """Kills when the time has come; True 0.6 s of bench time later."""
        now = float(self.bench.now())
        if self.at:
            return now > self.at + 0.6
        assert self.clock.now() < PATIENCE_S, "the host never got the motor to turn"
        if self.host.poll() is not None:
            # on a busy machine a board may answer too late: as a person would, once more
            assert not self.began, "the host ended by itself"
            assert self.starts < STARTS, "no host ever began"
            self.host = self._start()
        turning = bool(self.pulses.above(IDLE_US, now - 0.045))
        if turning and not self.began:
            self.began = now
        if turning and now >= self.began + self.delay:
            self.host.send_signal(signal.SIGKILL)
            self.host.wait()
            self.at = float(self.bench.now())
        return False

    def result(self) -> Kill:
        last = max(p.rose for p in self.pulses.above(IDLE_US))
        idle = next(p.rose for p in self.pulses.all if p.rose > last)
        before = [p for p in self.pulses.above(IDLE_US) if p.rose <= self.at]
        return Kill(self.at, before[-1].width_us, idle - self.at, len(self.pulses.above(IDLE_US, self.at)))


def kills(times: int, seed: int = 1, through: str = "") -> list[Kill]:
    """So many hosts started and killed, on one served craft. through: "script" for one that uses the library."""
    chance, out = random.Random(seed), []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "alone.toml"
        path.write_text(BENCH)
        spec = benchfile.load(str(path)).with_changes(kind="avr", seed=seed)
        bench: Any = benches.open_bench(str(path), kind="avr", seed=seed)
        pulses = Pulses(bench.world.boards[Role.CRAFT].outputs["pulse2"])
        server = make_server(bench, folder=Path(folder))
        try:
            served = Path(folder) / "served.toml"
            served.write_text(as_serial(spec, server.names, spec.pair.name))
            for _ in range(times):
                out.append(_one(server, pulses, served, chance, through))
        finally:
            server.close()
    return out


def _one(server: Any, pulses: Pulses, served: Path, chance: random.Random, through: str) -> Kill:
    pulses.all.clear()
    killer = Killer(server.bench, pulses, served, chance.uniform(0.0, 2.0), through)
    try:
        server.run(killer.done)
        return killer.result()
    finally:
        killer.host.kill()
        killer.host.wait()
