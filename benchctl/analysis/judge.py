"""Readings against limits: the verdict of one reading, and of a whole stage with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from benchctl.terms import Interval, Limit, Reading, Verdict
from benchctl.units import number, shown

#: readings named in a reason before "and n more"
NAMED = 3


def judge(reading: Reading, limit: Limit | None, *, strict: bool = False) -> Reading:
    """The reading with its limit and verdict.

    Not measured (NaN, or n is 0): undecided when there is a limit, left without a verdict when there is none.
    Measured without a limit: pass, it only informs. Plain: the value decides. strict: where an interval is
    known it must lie wholly inside for a pass and wholly outside for a fail; between the two the evidence is
    too thin, undecided.
    """
    known = reading.measured and reading.n > 0
    if limit is None or (limit.min is None and limit.max is None):
        return reading.judged(limit, Verdict.PASS) if known else reading
    if not known:
        return reading.judged(limit, Verdict.UNDECIDED)
    if strict and reading.interval is not None:
        return reading.judged(limit, _by_interval(reading.value, reading.interval, limit))
    return reading.judged(limit, Verdict.PASS if limit.holds(reading.value) else Verdict.FAIL)


def _by_interval(value: float, interval: Interval, limit: Limit) -> Verdict:
    if limit.holds(interval.low) and limit.holds(interval.high) and limit.holds(value):
        return Verdict.PASS
    above = limit.max is not None and interval.low > limit.max
    below = limit.min is not None and interval.high < limit.min
    return Verdict.FAIL if (above or below) and not limit.holds(value) else Verdict.UNDECIDED


def judge_all(readings: Iterable[Reading], limits: Mapping[str, Limit], *, strict: bool = False) -> tuple[Reading, ...]:
    """Every reading judged by the limit of its name: "hand.vcc" by limits["hand.vcc"], else limits["vcc"]."""
    return tuple(judge(one, _limit_for(one.name, limits), strict=strict) for one in readings)


def _limit_for(name: str, limits: Mapping[str, Limit]) -> Limit | None:
    return limits.get(name, limits.get(name.split(".", 1)[-1]))


def verdict_of(readings: Iterable[Reading]) -> tuple[Verdict, str]:
    """The verdict of judged readings together, and why in one sentence ("" for a pass).

    Readings without a verdict are left out; of nothing at all the verdict is undecided.
    """
    judged = [one for one in readings if one.verdict is not None]
    whole = Verdict.worst(one.verdict for one in judged if one.verdict is not None)
    if whole is Verdict.PASS:
        return whole, ""
    if not judged:
        return whole, "no reading was taken"
    named = [one for one in judged if one.verdict is whole]
    clauses = [reason(one) for one in named[:NAMED]]
    if len(named) > NAMED:
        clauses.append(f"and {len(named) - NAMED} more")
    return whole, "; ".join(clauses)


def reason(reading: Reading) -> str:
    """One clause: "hand_to_craft.loss is 4.2 % (3.1 to 5.6 %), limit at most 1 %"."""
    limit = reading.limit.text(reading.unit) if reading.limit is not None else "no limit"
    if not reading.measured or reading.n == 0:
        return f"{reading.name} could not be measured, limit {limit}"
    value = f"{number(reading.value)} {shown(reading.unit)}".rstrip()
    return f"{reading.name} is {value}{_spread(reading)}, limit {limit}"


def _spread(reading: Reading) -> str:
    if reading.interval is None:
        return ""
    low, high = number(reading.interval.low), number(reading.interval.high)
    return f" ({low} to {high} {shown(reading.unit)}".rstrip() + ")"
