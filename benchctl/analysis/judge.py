"""Readings against limits: the verdict of one reading, and of a whole stage with its reason."""

from __future__ import annotations

from collections.abc import Iterable

from benchctl.terms import Interval, Limit, Reading, Verdict

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
    """One clause: "packets lost, hand→craft: 4.2 % (3.1 … 5.6), limit at most 1 %"."""
    limit = reading.limit.text(reading.unit) if reading.limit is not None else "no limit"
    if not reading.measured or reading.n == 0:
        return f"{reading.called}: could not be measured, limit {limit}"
    return f"{reading.called}: {reading.text()}, limit {limit}"
