"""The words of the trade as frozen values, checked when made."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from benchctl.units import UNITS, quantity, span, with_interval


class Role(StrEnum):
    """What a board is for."""

    HAND = "hand"
    CRAFT = "craft"
    GAUGE = "gauge"


class Verdict(StrEnum):
    """How a reading, a stage or a run ended."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_RUN = "not run"

    @property
    def sign(self) -> str:
        """One character that says the same as the word, for narrow columns."""
        return {"pass": "✓", "fail": "✗", "undecided": "?", "not run": "–"}[self.value]

    @classmethod
    def worst(cls, verdicts: Iterable[Verdict]) -> Verdict:
        """The verdict of a whole: fail before undecided before not run before pass; of nothing: undecided."""
        order = [cls.FAIL, cls.UNDECIDED, cls.NOT_RUN, cls.PASS]
        return min(verdicts, key=order.index, default=cls.UNDECIDED)

    @property
    def exit_code(self) -> int:
        """0 pass, 1 fail, 3 anything else."""
        return {"pass": 0, "fail": 1}.get(self.value, 3)


class Source(StrEnum):
    """Where a reading's uncertainty mainly comes from."""

    COUNTING = "counting"  # events counted out of many: loss
    SAMPLING = "sampling"  # scatter of repeated measurements
    CLOCK = "clock"  # relation of two clocks, tick size
    ADC = "adc"  # quantisation and reference of the converter
    OPERATOR = "operator"  # typed in or counted by a person
    NONE = "none"  # read, not measured: a register, a word


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence interval, `low <= high`, at confidence `level` (0.95 unless told)."""

    low: float
    high: float
    level: float = 0.95

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(f"interval {self.low}..{self.high} is the wrong way round")
        if not 0 < self.level < 1:
            raise ValueError(f"confidence level {self.level} is not between 0 and 1")

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def scaled(self, factor: float) -> Interval:
        """The interval of `factor` times the quantity."""
        ends = sorted((self.low * factor, self.high * factor))
        return Interval(ends[0], ends[1], self.level)


@dataclass(frozen=True, slots=True)
class Limit:
    """What a reading must satisfy, in the reading's unit; None is "no bound on this side"."""

    min: float | None = None
    max: float | None = None

    def __post_init__(self) -> None:
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError(f"limit {self.min}..{self.max} is the wrong way round")

    def holds(self, value: float) -> bool:
        """Whether a value is within, ends included."""
        return (self.min is None or value >= self.min) and (self.max is None or value <= self.max)

    def text(self, unit: str) -> str:
        """ "at most 1 %", "4.5 V to 5.5 V", "at least 10"."""
        if self.min is None and self.max is None:
            return "no limit"
        if self.min is None:
            return f"at most {quantity(self.max or 0.0, unit)}"
        if self.max is None:
            return f"at least {quantity(self.min, unit)}"
        if self.min == self.max:
            return f"exactly {quantity(self.min, unit)}"
        return span(self.min, self.max, unit)


#: both ways between any two boards
DIRECTIONS = frozenset(f"{a}_to_{b}" for a in Role for b in Role if a is not b)
#: pulse outputs of the craft unit, where a stage measures several
OUTPUTS = frozenset(f"output{n}" for n in range(1, 7))


def split_subject(name: str) -> tuple[str, str]:
    """The subject in a reading's name, and the rest: "hand.vcc" is ("hand", "vcc"), "vcc" is ("", "vcc")."""
    head, dot, rest = name.partition(".")
    return (head, rest) if dot and (head in DIRECTIONS | OUTPUTS or head in set(Role)) else ("", name)


def readable(name: str) -> str:
    """A name from a file or a stage as words: "hand_to_craft.loss" is "hand→craft loss", "output2" is "output 2"."""
    name = re.sub(r"^output(?=\d)", "output ", name.replace("_to_", "→"))
    return re.sub(r"(?:[_\s]|\.(?!\d))+", " ", name).strip()


@dataclass(frozen=True, slots=True)
class Reading:
    """A named measured quantity.

    name: unique in its stage; a reading of one board is "hand.vcc", of a direction "hand_to_craft.loss", of an output
    "output2.sag". subject: that board, direction or output, "" for a pair's; taken from the name unless given.
    value, unit: NaN means "could not be measured" and is never a pass. unit is one of `units.UNITS`.
    n: number of samples behind it. interval: in the same unit, or None where none can be stated.
    source: where the uncertainty comes from. floor: what physics allows at best, where that is known.
    note: one clause for the report, "" mostly. limit, verdict: set when judged.
    label: what people call it, without the subject; from the stage's declaration, "" in records of before.
    """

    name: str
    value: float
    unit: str = ""
    n: int = 1
    interval: Interval | None = None
    source: Source = Source.NONE
    floor: float | None = None
    note: str = ""
    limit: Limit | None = None
    verdict: Verdict | None = None
    subject: str = ""
    label: str = ""

    def __post_init__(self) -> None:
        told = split_subject(self.name)[0]
        if self.subject not in ("", told):
            raise ValueError(f"reading {self.name}: its subject is {told!r}, not {self.subject!r}")
        object.__setattr__(self, "subject", told)
        if self.unit not in UNITS:
            raise ValueError(f"reading {self.name}: unknown unit {self.unit!r}")
        if self.n < 0:
            raise ValueError(f"reading {self.name}: n is {self.n}")

    @property
    def measured(self) -> bool:
        """Whether there is a value."""
        return not math.isnan(self.value)

    @property
    def board(self) -> Role | None:
        """The board whose reading it is; None for a pair's, a direction's or an output's."""
        return Role(self.subject) if self.subject in set(Role) else None

    @property
    def short_name(self) -> str:
        """The name without the subject: "vcc"."""
        return split_subject(self.name)[1]

    def judged(self, limit: Limit | None, verdict: Verdict) -> Reading:
        """The same with limit and verdict."""
        return replace(self, limit=limit, verdict=verdict)

    @property
    def what(self) -> str:
        """What it is, for people: its label, else its name as words."""
        return self.label or readable(self.short_name)

    @property
    def called(self) -> str:
        """What it is, and of which board, direction or output: "packets lost, hand→craft"."""
        return f"{self.what}, {readable(self.subject)}" if self.subject else self.what

    @property
    def half(self) -> float:
        """Half of the interval, 0 where none is known."""
        return (self.interval.high - self.interval.low) / 2 if self.interval is not None else 0.0

    def text(self) -> str:
        """ "0.40 % (0.10 … 0.90)"."""
        if self.interval is None:
            return quantity(self.value, self.unit)
        value, ends = with_interval(self.value, self.unit, self.interval.low, self.interval.high)
        return f"{value} ({ends})"
