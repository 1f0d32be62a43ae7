"""The harm log: what was physically wrong on a simulated bench, and when. Truth that no stage sees."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.benchfile.harm_kinds import TITLES, HarmKind
from benchctl.terms import Role


@dataclass(slots=True)
class Harm:
    """One thing wrong at one place. times: how often it came about; worst: the greatest value, in `unit`."""

    kind: HarmKind
    role: Role
    place: str
    first: float
    last: float
    worst: float
    unit: str
    times: int = 1

    def __str__(self) -> str:
        return (
            f"{TITLES[self.kind]}: {self.role} {self.place}, {self.worst:.3g} {self.unit}, "
            f"{self.times} x from {self.first:.6f} s to {self.last:.6f} s"
        )


class HarmLog:
    """Entries by kind and place, so that a harm that comes a thousand times takes no more room than one."""

    def __init__(self) -> None:
        self._entries: dict[tuple[HarmKind, Role, str], Harm] = {}

    @property
    def entries(self) -> tuple[Harm, ...]:
        return tuple(self._entries.values())

    @property
    def kinds(self) -> frozenset[HarmKind]:
        return frozenset(kind for kind, _, _ in self._entries)

    def note(self, kind: HarmKind, role: Role, place: str, time: float, value: float, unit: str) -> None:
        """Something is wrong at `time`: value in unit, the more the worse."""
        found = self._entries.get((kind, role, place))
        if found is None:
            self._entries[(kind, role, place)] = Harm(kind, role, place, time, time, value, unit)
            return
        found.times += 1
        found.last = max(found.last, time)
        found.worst = max(found.worst, value)

    def __bool__(self) -> bool:
        return bool(self._entries)

    def __str__(self) -> str:
        return "\n".join(str(entry) for entry in self.entries) or "nothing was hurt"
