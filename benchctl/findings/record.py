"""What a run's record says, asked by stage kind and reading: the questions behind every fact."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.runs.summary import BoardSummary, StageSummary, Summary
from benchctl.terms import Reading, Role, Verdict

#: the fact that something failed, which every cause predicts
LIMIT = "limit"
BOARDS = (Role.HAND, Role.CRAFT)
#: a fact's answer: whether it holds, and the readings in words; None: not looked at
Answer = tuple[bool, str] | None


@dataclass(frozen=True, slots=True)
class Fact:
    """board None: of the pair. text: the reading or note behind it, for people."""

    name: str
    board: Role | None
    holds: bool
    text: str


class Log:
    """Questions to a summary, by stage kind: procedures name their stages as they like."""

    def __init__(self, summary: Summary) -> None:
        self.summary = summary

    def stages(self, *kinds: str) -> list[StageSummary]:
        return [s for s in self.summary.stages.values() if s.kind in kinds and s.verdict is not Verdict.NOT_RUN]

    def all(self, name: str, *kinds: str) -> list[Reading]:
        """Measured readings of that name, in the order of the stages."""
        found = (s.readings.get(name) for s in self.stages(*kinds))
        return [r for r in found if r is not None and r.measured]

    def one(self, name: str, *kinds: str) -> Reading | None:
        found = self.all(name, *kinds)
        return found[-1] if found else None

    def value(self, name: str, *kinds: str) -> float | None:
        found = self.one(name, *kinds)
        return None if found is None else found.value

    def largest(self, name: str, *kinds: str) -> Reading | None:
        return max(self.all(name, *kinds), key=lambda r: r.value, default=None)

    def board(self, role: Role) -> BoardSummary | None:
        return self.summary.boards.get(role)

    def noted(self, text: str, *kinds: str) -> str:
        """The first note of those stages that has the text in it, or ""."""
        notes = (n.text for s in self.stages(*kinds) for n in s.notes)
        return next((n for n in notes if text in n), "")

    def failed(self, text: str, *kinds: str) -> str:
        """The part of a stage's reason that has the text in it, or ""."""
        for stage in self.stages(*kinds):
            for part in stage.reason.split("; "):
                if text in part:
                    return part
        return ""


def said(reading: Reading) -> str:
    return f"{reading.name} {reading.text()}"


def above(log: Log, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    found = log.largest(name, *kinds)
    return None if found is None else (found.value > limit, said(found))


def below(log: Log, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    found = min(log.all(name, *kinds), key=lambda r: r.value, default=None)
    return None if found is None else (found.value < limit, said(found))


def any_of(*answers: Answer) -> Answer:
    """Yes if any known answer is yes; unknown if none is known."""
    known = [a for a in answers if a is not None]
    if not known:
        return None
    yes = [a for a in known if a[0]]
    return (bool(yes), ", ".join(a[1] for a in (yes or known)))


def both_of(*answers: Answer) -> Answer:
    """Yes if all are yes; unknown if one is unknown and none is no."""
    no = [a for a in answers if a is not None and not a[0]]
    if no:
        return no[0]
    if None in answers:
        return None
    return True, ", ".join(a[1] for a in answers if a is not None)
