"""A long soak on the simulated pair while boards are restarted and unplugged; the truth is what was done to them."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchctl import benches
from benchctl.operate import Operation, Result
from benchctl.procedure.file import parse
from benchctl.terms import Role

PROCEDURE = (
    """
name = "long-life"
[[stage]]
kind = "identity"
[[stage]]
kind = "soak"
[stage.parameters]
seconds = {seconds:.1f}
interval_us = {interval_us}
[stage.limits]
hand.resets = {{}}
craft.resets = {{}}
hand.absences = {{}}
craft.absences = {{}}
given_up = {{}}
""".replace("hand.", '"hand.')
    .replace("craft.", '"craft.')
    .replace("resets =", 'resets" =')
    .replace("absences =", 'absences" =')
)


@dataclass
class Truth:
    """What was done to the boards, and what the process needed."""

    restarts: dict[Role, int] = field(default_factory=lambda: dict.fromkeys((Role.HAND, Role.CRAFT), 0))
    unplugs: dict[Role, int] = field(default_factory=lambda: dict.fromkeys((Role.HAND, Role.CRAFT), 0))
    kinds: list[str] = field(default_factory=list)
    megabytes: list[float] = field(default_factory=list)


def resident() -> float:
    """Megabytes of this process now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6


class Faults:
    """Schedules restarts of every cause and unplugs, evenly spread with some chance, on either board."""

    def __init__(
        self, bench: Any, seconds: float, resets: int, unplugs: int, seed: int, roles: tuple[Role, ...]
    ) -> None:
        self.bench, self.truth, self.chance = bench, Truth(), random.Random(f"{seed} faults")
        what = ["line", "brown-out", "hang"] * resets
        plan = [*what[:resets], *["unplug"] * unplugs]
        self.chance.shuffle(plan)
        step = seconds / (len(plan) + 1)
        for i, kind in enumerate(plan, 1):
            role = self.chance.choice(roles)
            at = bench.now() + 10 + step * (i + self.chance.uniform(-0.3, 0.3))
            bench.agenda.at(at, self._happen, kind, role)

    def sample_memory(self, every: float, until: float) -> None:
        self.truth.megabytes.append(resident())
        if self.bench.now() + every < until:
            self.bench.agenda.after(every, self.sample_memory, every, until)

    def _happen(self, kind: str, role: Role) -> None:
        self.truth.kinds.append(kind)
        self.truth.restarts[role] += 1
        bench, after = self.bench, self.bench.agenda.after
        if kind == "line":
            bench.boards[role].port.reset()
        elif kind == "hang":
            bench.chips[role].hang()
        elif kind == "brown-out":
            supply = bench.world.boards[role].supply
            supply.set_load("fault", 12.0, bench.now())
            after(0.002, lambda: supply.set_load("fault", 0.0, bench.now()))
        else:
            self.truth.unplugs[role] += 1
            bench.power_off(role)
            after(self.chance.uniform(3.0, 20.0), bench.power_on, role)


def soak(
    seconds: float, resets: int, unplugs: int, out: Path, seed: int = 1, *, interval_us: int = 1_000_000,
    roles: tuple[Role, ...] = (Role.HAND, Role.CRAFT), start: float = 0.0,
) -> tuple[Result, Truth, Any]:  # fmt: skip
    """The soak, its faults and its world; the bench is closed. start: so long the boards have been on before."""
    bench: Any = benches.open_bench("sim", seed=seed)
    try:
        bench.wait(start)
        faults = Faults(bench, seconds, resets, unplugs, seed, roles)
        bench.agenda.after(10.0, faults.sample_memory, seconds / 48, start + seconds)
        procedure = parse(PROCEDURE.format(seconds=seconds, interval_us=interval_us).encode(), "long-life.toml")
        result = Operation(procedure, bench, out).perform()
    finally:
        bench.close()
    return result, faults.truth, bench.world
