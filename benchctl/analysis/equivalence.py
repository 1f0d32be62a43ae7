"""Is a new run the same as the reference, better or worse, reading by reading?

Each reading has a margin: a change smaller than it does not matter. Three one-sided questions are asked: is
the new one worse by more than the margin, better by more than the margin, or within the margin on both sides
(two one-sided tests, Schuirmann 1987)? None shown: undecided. "Worse" and "better" are corrected for the
number of readings (Holm 1979), so that a pair of equal runs is called worse anywhere with at most the stated
chance. "Same" needs no correction: that nothing changed is only claimed when it is shown for each reading
(Berger 1982).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from benchctl.analysis.tails import check_counts, normal_quantile, normal_tail, student_cdf
from benchctl.errors import UsageError
from benchctl.terms import Interval, Reading, Source


class Outcome(StrEnum):
    """The answer for one reading."""

    SAME = "same"
    BETTER = "better"
    WORSE = "worse"
    UNDECIDED = "undecided"


class Better(StrEnum):
    """Which way is better."""

    LOWER = "lower"
    HIGHER = "higher"
    TARGET = "target"


@dataclass(frozen=True, slots=True)
class Margin:
    """The change that does not matter yet: absolute in the reading's unit, relative to the reference, or the
    larger of both. better: which way is better; target: the ideal value when that is TARGET. Raises
    UsageError when neither size is above 0 or a target is missing."""

    absolute: float = 0.0
    relative: float = 0.0
    better: Better = Better.LOWER
    target: float | None = None

    def __post_init__(self) -> None:
        if self.absolute < 0 or self.relative < 0 or self.absolute + self.relative == 0:
            raise UsageError("a margin needs an absolute or a relative size above 0")
        if (self.better is Better.TARGET) != (self.target is not None):
            raise UsageError("a target value goes with better = target, and only with it")

    def size(self, reference: float) -> float:
        """The margin in the reading's unit."""
        return max(self.absolute, self.relative * abs(reference))

    def harm(self, reference: float, new: float) -> float:
        """How much worse the new value is; negative when it is better."""
        if self.target is not None:
            return abs(new - self.target) - abs(reference - self.target)
        return new - reference if self.better is Better.LOWER else reference - new


@dataclass(frozen=True, slots=True)
class Evidence:
    """The three questions about one reading, as p-values, before correction.

    reference, new: values. margin: size in their unit. p_worse, p_better, p_same: small means shown.
    outcome: set by `decide`.
    """

    name: str
    reference: float
    new: float
    margin: float
    p_worse: float
    p_better: float
    p_same: float
    outcome: Outcome = Outcome.UNDECIDED

    @property
    def change(self) -> float:
        return self.new - self.reference


def _evidence(name: str, reference: float, new: float, margin: Margin, tail_of: _Tail) -> Evidence:
    """Evidence from `tail_of(harm, shift)`: the chance of a harm at least as large if the true one were
    `shift`."""
    size, harm = margin.size(reference), margin.harm(reference, new)
    if math.isnan(harm) or size == 0:
        return Evidence(name, reference, new, size, 1.0, 1.0, 1.0)
    worse, above = tail_of(harm, size), tail_of(harm, -size)
    return Evidence(name, reference, new, size, worse, 1 - above, max(above, 1 - worse))


class _Tail:
    """Chance of a harm at least as large as seen.

    smaller, larger: standard errors towards smaller and towards larger true values than seen; freedom: of
    Student's t, infinite for the normal.
    """

    def __init__(self, smaller: float, larger: float, freedom: float = math.inf) -> None:
        self._smaller, self._larger, self._freedom = smaller, larger, freedom

    def __call__(self, harm: float, shift: float) -> float:
        distance = harm - shift
        error = self._smaller if distance > 0 else self._larger
        if error == 0:
            return 0.5 if distance == 0 else float(distance < 0)
        score = distance / error
        return normal_tail(score) if math.isinf(self._freedom) else 1 - student_cdf(score, self._freedom)


def _from_intervals(name: str, a: float, ia: Interval, b: float, ib: Interval, margin: Margin) -> Evidence:
    """Each side of each interval gives the standard error on that side. Infinite values (a quantile among
    lost packets) leave all open: the loss says it better."""
    if not all(map(math.isfinite, (a, ia.low, ia.high, b, ib.low, ib.high))):
        return Evidence(name, a, b, margin.size(a), 1.0, 1.0, 1.0)
    za, zb = (normal_quantile((1 + i.level) / 2) for i in (ia, ib))
    a_down, a_up = max(0.0, a - ia.low) / za, max(0.0, ia.high - a) / za
    b_down, b_up = max(0.0, b - ib.low) / zb, max(0.0, ib.high - b) / zb
    smaller, larger = math.hypot(b_down, a_up), math.hypot(b_up, a_down)  # true change smaller, larger than seen
    if margin.target is not None:
        smaller = larger = math.hypot(max(a_down, a_up), max(b_down, b_up))
    elif margin.better is Better.HIGHER:
        smaller, larger = larger, smaller
    return _evidence(name, a, b, margin, _Tail(smaller, larger))


def compare_proportions(name: str, reference: tuple[int, int], new: tuple[int, int], margin: Margin) -> Evidence:
    """Proportions given as (hits, trials): score test of a shifted difference (Farrington and Manning 1990).
    Where a count is small, "worse" and "better" must pass Fisher's exact test as well."""
    for hits, trials in (reference, new):
        check_counts(hits, trials)
    if not reference[1] or not new[1]:
        return _evidence(name, math.nan, math.nan, margin, _Tail(1, 1))
    a, b = reference[0] / reference[1], new[0] / new[1]
    found = _evidence(name, a, b, margin, _ScoreTail(reference, new, margin))
    if min(reference[0], new[0], reference[1] - reference[0], new[1] - new[0]) >= 10 or margin.target is not None:
        return found
    more = fisher_tail(new[0], new[1] - new[0], reference[0], reference[1] - reference[0])
    fewer = fisher_tail(reference[0], reference[1] - reference[0], new[0], new[1] - new[0])
    worse, better = (more, fewer) if margin.better is Better.LOWER else (fewer, more)
    return replace(found, p_worse=max(found.p_worse, worse), p_better=max(found.p_better, better))


class _ScoreTail(_Tail):
    """The standard error is that of the proportions closest to those seen among all that differ by the
    shift."""

    def __init__(self, reference: tuple[int, int], new: tuple[int, int], margin: Margin) -> None:
        super().__init__(0.0, 0.0)
        self._reference, self._new = reference, new
        self._sign = -1.0 if margin.better is Better.HIGHER else 1.0

    def __call__(self, harm: float, shift: float) -> float:
        error = _restricted_error(self._new, self._reference, self._sign * shift)
        if error == 0:
            return 0.5 if harm == shift else float(harm < shift)
        return normal_tail((harm - shift) / error)


def _restricted_error(first: tuple[int, int], second: tuple[int, int], shift: float) -> float:
    """Standard error of p1 - p2 under p1 - p2 = shift; the restricted estimate maximises the likelihood, a
    concave function of p2, by ternary search."""
    (x1, n1), (x2, n2) = first, second
    low, high = max(0.0, -shift), min(1.0, 1.0 - shift)
    if low > high:
        return 0.0

    def likelihood(p2: float) -> float:
        return _log_binomial(x1, n1, p2 + shift) + _log_binomial(x2, n2, p2)

    for _ in range(70):
        left, right = low + (high - low) / 3, high - (high - low) / 3
        if likelihood(left) < likelihood(right):
            low = left
        else:
            high = right
    p2 = (low + high) / 2
    p1 = min(1.0, max(0.0, p2 + shift))
    return math.sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)


def _log_binomial(hits: int, trials: int, p: float) -> float:
    p = min(1 - 1e-300, max(1e-300, p))
    return hits * math.log(p) + (trials - hits) * math.log1p(-min(p, 1 - 1e-16))


def fisher_tail(a: int, b: int, c: int, d: int) -> float:
    """Fisher's exact test, one-sided: chance of at least `a` in the table [[a, b], [c, d]] with its
    margins."""
    if min(a, b, c, d) < 0:
        raise UsageError("a table has no negative counts")
    row, column, total = a + b, a + c, a + b + c + d

    def log_chance(k: int) -> float:
        return _log_choose(column, k) + _log_choose(total - column, row - k) - _log_choose(total, row)

    return min(1.0, math.fsum(math.exp(log_chance(k)) for k in range(a, min(row, column) + 1)))


def _log_choose(n: int, k: int) -> float:
    if not 0 <= k <= n:
        return -math.inf
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def compare_readings(reference: Reading, new: Reading, margin: Margin) -> Evidence:
    """Two readings of which no samples were kept: from values and intervals. A value that was read and not
    measured (source "none") has no error; a measured one without an interval leaves all open. Raises
    UsageError when names or units differ."""
    if (reference.name, reference.unit) != (new.name, new.unit):
        raise UsageError(f"{reference.name} in {reference.unit!r} is not {new.name} in {new.unit!r}")
    a, b = reference.value, new.value
    if reference.interval is not None and new.interval is not None:
        return _from_intervals(new.name, a, reference.interval, b, new.interval, margin)
    if reference.source is Source.NONE and new.source is Source.NONE:
        return _exact(new.name, a, b, margin)
    return _evidence(new.name, a, b, margin, _Tail(math.inf, math.inf))


def _exact(name: str, a: float, b: float, margin: Margin) -> Evidence:
    size, harm = margin.size(a), margin.harm(a, b)
    if math.isnan(harm):
        return Evidence(name, a, b, size, 1.0, 1.0, 1.0)
    return Evidence(name, a, b, size, float(harm <= size), float(harm >= -size), float(abs(harm) > size))


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Holm's adjusted p-values, in the given order: reject those at or below the family's level."""
    adjusted, running = [0.0] * len(p_values), 0.0
    for rank, i in enumerate(sorted(range(len(p_values)), key=lambda k: p_values[k])):
        running = max(running, min(1.0, (len(p_values) - rank) * p_values[i]))
        adjusted[i] = running
    return tuple(adjusted)


def decide(evidence: Sequence[Evidence], alpha: float = 0.05) -> tuple[Evidence, ...]:
    """The outcome of every reading, in the given order: chance of any false "worse" at most `alpha`, of any
    false "better" likewise."""
    worse = holm([e.p_worse for e in evidence])
    better = holm([e.p_better for e in evidence])
    return tuple(
        replace(e, outcome=_outcome(w, b, e.p_same, alpha)) for e, w, b in zip(evidence, worse, better, strict=True)
    )


def _outcome(worse: float, better: float, same: float, alpha: float) -> Outcome:
    if worse <= alpha:
        return Outcome.WORSE
    if better <= alpha:
        return Outcome.BETTER
    return Outcome.SAME if same <= alpha else Outcome.UNDECIDED
