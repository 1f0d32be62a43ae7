"""The words of the trade as frozen values, checked when made."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from benchctl.units import UNITS, quantity


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
        return f"{quantity(self.min, unit)} to {quantity(self.max, unit)}"


@dataclass(frozen=True, slots=True)
class Reading:
    """A named measured quantity.

    name: unique in its stage; a reading of one board is "hand.vcc", of a direction "hand_to_craft.loss".
    value, unit: NaN means "could not be measured" and is never a pass. unit is one of `units.UNITS`.
    n: number of samples behind it. interval: in the same unit, or None where none can be stated.
    source: where the uncertainty comes from. floor: what physics allows at best, where that is known.
    note: one clause for the report, "" mostly. limit, verdict: set when judged.
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

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"reading {self.name}: unknown unit {self.unit!r}")
        if self.n < 0:
            raise ValueError(f"reading {self.name}: n is {self.n}")

    @property
    def measured(self) -> bool:
        return not math.isnan(self.value)

    @property
    def board(self) -> Role | None:
        """The board whose reading it is, from the name; None for a pair's."""
        head = self.name.split(".", 1)[0]
        return Role(head) if "." in self.name and head in set(Role) else None

    def judged(self, limit: Limit | None, verdict: Verdict) -> Reading:
        return replace(self, limit=limit, verdict=verdict)

    def text(self) -> str:
        """ "0.4 % (0.1 to 0.9)"."""
        shown = quantity(self.value, self.unit)
        if self.interval is None:
            return shown
        low, high = quantity(self.interval.low, self.unit), quantity(self.interval.high, self.unit)
        return f"{shown} ({low.split(' ')[0]} to {high})"
