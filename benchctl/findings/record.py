"""What a run's record says, asked by stage kind, reading and fact: the questions behind every piece of evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

from benchctl.facts import Fact
from benchctl.runs.summary import BoardSummary, StageSummary, Summary
from benchctl.terms import Reading, Role, Verdict

#: the evidence that something failed, which every cause predicts
LIMIT = "limit"
BOARDS = (Role.HAND, Role.CRAFT)

F = TypeVar("F", bound=Fact)


class Known(NamedTuple):
    """What was looked at: whether it holds, and the readings or facts behind it in words.

    error: how often such an observation says the opposite of what is so; a person's count is no measurement.
    """

    holds: bool
    text: str
    error: float = 0.0


#: how often a person miscounts by one (judgement), takes something for nothing or nothing for something, and counts
#: wrong twice
MISCOUNT, OVERLOOKED = 0.15, 0.02


#: %: a channel that is busy for more than this costs packets
BUSY_PCT = 14.0
#: so often a count is made, with another number each time, until one is right
COUNTS = 3
#: None: not looked at
Answer = Known | None


@dataclass(frozen=True, slots=True)
class Evidence:
    """A question of the table of causes, answered for one board; board None: for the pair. text: for people.

    error: as in `Known`.
    """

    name: str
    board: Role | None
    holds: bool
    text: str
    error: float = 0.0


class RecordQuery:
    """Questions to a summary, by stage kind: procedures name their stages as they like."""

    def __init__(self, summary: Summary) -> None:
        self.summary = summary

    def stages(self, *kinds: str) -> list[StageSummary]:
        """Stages of these kinds that were run."""
        return [s for s in self.summary.stages.values() if s.kind in kinds and s.verdict is not Verdict.NOT_RUN]

    def all(self, name: str, *kinds: str) -> list[Reading]:
        """Measured readings of that name, in the order of the stages."""
        found = (s.readings.get(name) for s in self.stages(*kinds))
        return [r for r in found if r is not None and r.measured]

    def one(self, name: str, *kinds: str) -> Reading | None:
        """The last reading of this name, or None."""
        found = self.all(name, *kinds)
        return found[-1] if found else None

    def value(self, name: str, *kinds: str) -> float | None:
        """Its value, or None."""
        found = self.one(name, *kinds)
        return None if found is None else found.value

    def largest(self, name: str, *kinds: str) -> Reading | None:
        """The reading of this name with the greatest value, or None."""
        return max(self.all(name, *kinds), key=lambda r: r.value, default=None)

    def board(self, role: Role) -> BoardSummary | None:
        """What the run says of a board, or None."""
        return self.summary.boards.get(role)

    def facts(self, kind: type[F], *kinds: str, board: Role | None = None) -> list[F]:
        """Facts of that class from stages of those kinds, or from the whole run; board: only those about it."""
        stages = self.stages(*kinds) if kinds else self.summary.stages.values()
        found = [f for s in stages for f in s.facts]
        if not kinds:
            found += self.summary.facts
        return [f for f in found if isinstance(f, kind) and (board is None or getattr(f, "board", None) is board)]

    def fact(self, kind: type[F], *kinds: str, board: Role | None = None) -> F | None:
        """The first of them."""
        return next(iter(self.facts(kind, *kinds, board=board)), None)


def named_value(reading: Reading) -> str:
    """The reading in words: "beeps 1 (1 to 2)"."""
    return f"{reading.called} {reading.text()}"


def counted(reading: Reading) -> str:
    """A reading that is a count out of n: "hand.led_missed 2 of 5"."""
    return f"{named_value(reading)} of {reading.n}"


def surely_above(reading: Reading, limit: float) -> bool | None:
    """Whether the reading is above the limit; None where its interval has the limit inside."""
    low, high = (reading.interval.low, reading.interval.high) if reading.interval else (reading.value, reading.value)
    return True if low > limit else False if high <= limit else None


def surely_below(reading: Reading, limit: float) -> bool | None:
    """Whether the reading is below the limit; None where its interval has the limit inside."""
    low, high = (reading.interval.low, reading.interval.high) if reading.interval else (reading.value, reading.value)
    return True if high < limit else False if low >= limit else None


def above(record: RecordQuery, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    """Whether some reading of that name is above the limit; unknown where none surely is and one may be."""
    return _some(record.all(name, *kinds), lambda r: surely_above(r, limit), largest=True)


def below(record: RecordQuery, name: str, kinds: tuple[str, ...], limit: float) -> Answer:
    """Whether some reading of that name is below the limit; unknown where none surely is and one may be."""
    return _some(record.all(name, *kinds), lambda r: surely_below(r, limit), largest=False)


def _some(found: list[Reading], holds: Callable[[Reading], bool | None], largest: bool) -> Answer:
    verdicts = [holds(r) for r in found]
    if not found or (None in verdicts and True not in verdicts):
        return None
    worst = (max if largest else min)(found, key=lambda r: r.value)
    return Known(True in verdicts, named_value(worst))


def any_of(*answers: Answer) -> Answer:
    """Yes if any known answer is yes; unknown if none is known."""
    known = [a for a in answers if a is not None]
    if not known:
        return None
    yes = [a for a in known if a.holds]
    return Known(bool(yes), ", ".join(a.text for a in (yes or known)), min(a.error for a in (yes or known)))


def both_of(*answers: Answer) -> Answer:
    """Yes if all are yes; unknown if one is unknown and none is no."""
    no = [a for a in answers if a is not None and not a.holds]
    if no:
        return no[0]
    if None in answers:
        return None
    return Known(True, ", ".join(a.text for a in answers if a is not None))
