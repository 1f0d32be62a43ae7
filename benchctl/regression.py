"""A new run against its reference in one: takes more samples only where the answer is still open.

What several looks at a stage read is put together, so that no packet is thrown away.

Looking several times must not raise the chance of a false "worse", so each look gets its share of it (Bonferroni).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import reduce

from benchctl.analysis.equivalence import Outcome
from benchctl.analysis.loss import clopper_pearson
from benchctl.compare import Comparison, Row, as_shares, compare
from benchctl.operate import Operation, Result
from benchctl.procedure.file import Procedure, Step
from benchctl.runs.summary import StageSummary, Summary
from benchctl.stages.contract import Value
from benchctl.terms import Interval, Reading, Verdict

#: parts of the procedure's sample sizes that the looks take afresh. The first is where a loss of 0 out of so many
#: is the same as the reference's at half the error: one look is enough for most that did not change
LOOKS = (0.75, 1.0)
#: parameters that say how many samples a stage takes
SIZES = ("least", "acked", "pings", "presses", "steps", "steady_frames", "frames", "cuts", "starts")
#: the same of a stage that is in a later look only because others need it
NEEDED = (*SIZES, "scan_sweeps")


@dataclass(frozen=True, slots=True)
class Regression:
    """results: one run a look. comparison: each reading's first decided answer, else its last one.

    optional: stages that need not have run.
    """

    results: tuple[Result, ...]
    comparison: Comparison
    optional: frozenset[str] = frozenset()

    @property
    def verdict(self) -> Verdict:
        """fail beats undecided beats pass, over the comparison's and every stage's: what a look with few samples left
        open, a later one may have decided; a fail stays, and a pass until there is a fail."""
        stages: dict[str, Verdict] = {}
        for result in self.results:
            for name, stage in result.summary.stages.items():
                left_out = stage.verdict is Verdict.NOT_RUN and name in self.optional
                settled = stages.get(name) in (Verdict.PASS, Verdict.FAIL) and stage.verdict is not Verdict.FAIL
                if stage.verdict is not None and not left_out and not settled:
                    stages[name] = stage.verdict
        return Verdict.worst([self.comparison.verdict, *stages.values()])

    @property
    def exit_code(self) -> int:
        errors = [r.exit_code for r in self.results if r.error]
        return errors[0] if errors else self.verdict.exit_code


def sized(procedure: Procedure, share: float) -> Procedure:
    """The procedure with `share` of its sample sizes, none below what its stage allows."""
    return replace(procedure, steps=tuple(_sized(s, share) for s in procedure.steps))


def _sized(step: Step, share: float, sizes: Collection[str] = SIZES) -> Step:
    changed: dict[str, Value] = dict(step.parameters)
    for p in step.stage.parameters:
        value = changed.get(p.name)
        if p.name in sizes and isinstance(value, int) and not isinstance(value, bool):
            changed[p.name] = max(round(value * share), int(p.low or 1))
    return replace(step, parameters=changed)


def _grows(step: Step, shares: Sequence[float]) -> bool:
    """Whether a further look would take more samples; one that takes as many again decides no more."""
    return any(_sized(step, share).parameters != _sized(step, shares[0]).parameters for share in shares[1:])


def regress(
    procedure: Procedure, reference: Summary, make: Callable[[Procedure], Operation], alpha: float = 0.05
) -> Regression:
    """Run and compare until every reading of the reference is decided or the procedure's own sizes are reached.

    make: an operation over the bench for a procedure. Raises UsageError when the runs cannot be compared.
    """
    results: list[Result] = []
    found: Comparison | None = None
    names = [s.name for s in procedure.steps]
    for number, share in enumerate(LOOKS):
        wanted = procedure.only(names)
        steps = tuple(
            _sized(s, share if s.name in names else LOOKS[0], SIZES if s.name in names else NEEDED)
            for s in wanted.steps
        )
        results.append(make(replace(wanted, steps=steps)).perform())
        if results[-1].error:
            break
        told = pooled([r.summary for r in results])
        seen = _only(compare(reference, told, alpha=alpha / len(LOOKS)), names)
        found = seen if found is None else _merged(found, seen)
        again = _open_stages(found) & {s.name for s in procedure.steps if _grows(s, LOOKS[number:])}
        if not again or found.verdict is Verdict.FAIL:
            break
        names = [s.name for s in procedure.steps if s.name in again]
    if found is None:
        found = compare(reference, results[-1].summary, alpha=alpha / len(LOOKS))
    return Regression(tuple(results), found, frozenset(s.name for s in procedure.steps if s.optional))


def pooled(looks: Sequence[Summary]) -> Summary:
    """The latest look, each reading put together with what earlier looks at its stage read.

    Counted shares are added up; measured values are weighed by the inverse square of their intervals (the best
    linear unbiased mean of independent estimates). What was read and not measured is the latest's.
    """
    latest = looks[-1]
    stages = {name: _pooled_stage([s.stages[name] for s in looks if name in s.stages]) for name in latest.stages}
    return replace(latest, stages=stages)


def _pooled_stage(seen: Sequence[StageSummary]) -> StageSummary:
    readings = {}
    for name in {n: None for stage in seen for n in stage.readings}:
        several = [stage.readings[name] for stage in seen if name in stage.readings]
        readings[name] = reduce(_together, several)
    return replace(seen[-1], readings=readings)


def _together(a: Reading, b: Reading) -> Reading:
    if not b.measured or not a.measured or a.unit != b.unit:
        return b if b.measured else a
    if as_shares(a, b):
        n = a.n + b.n
        hits = round(a.value / 100 * a.n) + round(b.value / 100 * b.n)
        share = clopper_pearson(hits, n)
        return replace(b, value=100 * hits / n, n=n, interval=share.scaled(100))
    sides = [side for r in (a, b) for side in _sides(r)]
    if len(sides) < 4 or not all(0 < side < math.inf for side in sides):
        return b
    weights = [1 / (sides[i] + sides[i + 1]) ** 2 for i in (0, 2)]
    value = (weights[0] * a.value + weights[1] * b.value) / sum(weights)
    down, up = (1 / math.sqrt(sides[i] ** -2 + sides[i + 2] ** -2) for i in (0, 1))
    assert b.interval is not None
    return replace(b, value=value, n=a.n + b.n, interval=Interval(value - down, value + up, b.interval.level))


def _sides(r: Reading) -> tuple[float, ...]:
    return (r.value - r.interval.low, r.interval.high - r.value) if r.interval is not None else ()


def _open_stages(found: Comparison) -> set[str]:
    """Stages with a reading that more samples may still decide."""
    return {r.stage for r in found.having(Outcome.UNDECIDED)} | {m.partition(".")[0] for m in found.missing}


def _only(found: Comparison, stages: Iterable[str]) -> Comparison:
    """What a look at some stages says; of the others it knows nothing."""
    kept = set(stages)
    return replace(
        found,
        rows=tuple(r for r in found.rows if r.stage in kept),
        missing=tuple(m for m in found.missing if m.partition(".")[0] in kept),
        verdicts=tuple(v for v in found.verdicts if v[0] in kept),
    )


def _merged(before: Comparison, now: Comparison) -> Comparison:
    """Answers that stood stay; open ones take the new look's."""
    fresh = {(r.stage, r.new.name): r for r in now.rows}
    looked = {r.stage for r in now.rows} | {v[0] for v in now.verdicts}

    def later(row: Row) -> Row:
        new = fresh.get((row.stage, row.new.name))
        return new if new is not None and row.outcome is Outcome.UNDECIDED else row

    rows = tuple(later(r) for r in before.rows)
    known = {(r.stage, r.new.name) for r in rows}
    rows += tuple(r for key, r in fresh.items() if key not in known)
    missing = tuple(m for m in before.missing if m.partition(".")[0] not in looked) + now.missing
    verdicts = tuple(v for v in before.verdicts if v[0] not in looked) + now.verdicts
    return replace(before, new=now.new, rows=rows, missing=missing, verdicts=verdicts)
