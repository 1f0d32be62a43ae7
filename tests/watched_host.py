"""What a person has stated in a run, by the run's events alone: without it no board is armed and no wiring opened."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.parts.allowance import Allowance, Arming
from benchctl.parts.world import World
from benchctl.safety.attestation import HIGHER_CAP, STATEMENTS, SUPPLY_OFF, VALID_S
from benchctl.terms import Role

#: above this many permille one statement more is wanted (design, section 10)
USUAL_CAP = 200
#: a board that restarts says so within this, start-up and boot loader included
HEARD_S = 1.0


@dataclass
class Stated:
    """One run on a world. given: by name, all that was typed, as (time, until)."""

    world: World
    began: float
    given: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    stopped: float = float("inf")
    ended: float = float("inf")

    def heard(self, event: ev.Event) -> None:
        if isinstance(event, ev.StopPressed):
            self.stopped = min(self.stopped, event.t)
        if not isinstance(event, ev.Attestation) or not event.accepted:
            return
        right = event.answer.strip().lower() == event.challenge.lower() != ""
        if right and event.t < self.stopped:
            self.given.setdefault(event.what, []).append((event.t, min(event.expires, event.t + VALID_S)))

    def wrong(self, role: Role, arming: Arming) -> str:
        """Why a board may not be armed, or its wiring opened, as it was; "" when it may."""
        if not self.began <= arming.time <= self.ended:
            return ""
        what = "its wiring opened" if not arming.channel else "armed"
        where = f"the {role} board was {what} at {arming.time:.3f} s"
        if arming.time > self.stopped:
            return f"{where} after the stop"
        wanted = [SUPPLY_OFF] if not arming.channel else [*STATEMENTS]
        if arming.channel and arming.cap > USUAL_CAP:
            wanted.append(HIGHER_CAP)
        for statement in wanted:
            if not any(at <= arming.time < until and not self._void(at, arming) for at, until in self.given.get(statement.name, [])):
                return f"{where}, and nobody had stated: {statement.text}"
        return ""

    def _void(self, at: float, arming: Arming) -> bool:
        """Whether a board has restarted in between, unasked; what the battery is at does not change by that."""
        if not arming.channel:
            return False
        allowed: list[Allowance] = list(self.world.allowances.values())
        return any(at < start < arming.time - HEARD_S for one in allowed if one.known for start in one.starts)


RUNS: list[Stated] = []


def install() -> None:
    """Follow every run on a modelled world from now on."""
    perform = Operation.perform
    if hasattr(perform, "__wrapped__"):
        return

    @functools.wraps(perform)
    def performed(self: Operation, *args: Any, **kwargs: Any) -> Any:
        bench: Any = getattr(self.bench, "under", self.bench)
        world = getattr(bench, "world", None)
        if world is None:
            return perform(self, *args, **kwargs)
        run = Stated(world, world.agenda.now)
        RUNS.append(run)
        self._log.add_reader(run.heard)
        try:
            return perform(self, *args, **kwargs)
        finally:
            run.ended = world.agenda.now

    Operation.perform = performed  # type: ignore[method-assign]


def complaints() -> list[str]:
    """Of all runs that have ended since the last time."""
    out = []
    for run in RUNS:
        for role, allowed in run.world.allowances.items():
            out += [why for arming in allowed.armings if (why := run.wrong(role, arming))]
    RUNS[:] = [run for run in RUNS if run.ended == float("inf")]
    return out
