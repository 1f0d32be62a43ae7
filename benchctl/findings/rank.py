"""Weighing: the posterior over healthy, single causes and plausible pairs, from facts and the table of causes.

Each fact is taken to be seen with the probability that the cause predicts; two causes together show it unless both
fail to, or chance does (noisy or). Facts of one run are not independent: a rail that is starved shows in many stages
at once. So the evidence counts for less than its product: the logarithm of the likelihood is multiplied by `TRUST`,
below 1, which keeps the stated confidence from running ahead of what it is worth.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchctl.findings.causes import CAUSES, CHANCE, CHANCES, Cause
from benchctl.findings.record import LIMIT, Evidence
from benchctl.terms import Role

#: how much of the product of likelihoods is believed (judgement; checked by the reliability table of the campaign)
TRUST = 0.85
#: before any evidence: healthy, one fault, two. Faults of hand-soldered boards come by themselves, so their number is
#: Poisson; that every other run of a pair shows none is judgement, and makes the mean 0.69
HEALTHY, ONE, TWO = 0.50, 0.35, 0.12
#: how often a fault fails some limit (judgement)
FAILS = 0.85
#: a fault that shows badly shows in much, a mild one in little: exponents of the table's probabilities for either
_GRADES = (0.5, 2.0)
#: single causes that are tried in pairs, best first
_PAIRED = 10


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause at a place. board None: the pair."""

    cause: Cause
    board: Role | None

    def predicts(self, fact: Evidence) -> float:
        """Probability that the fact is seen because of this."""
        if fact.board is not None and self.board is not None and fact.board is not self.board:
            return 0.0
        if fact.name == LIMIT:
            return FAILS
        return self.cause.predicts.get(fact.name, 0.0)


@dataclass(frozen=True, slots=True)
class Ranked:
    """confidence: posterior probability that this is among what is wrong."""

    suspect: Suspect
    confidence: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """healthy: posterior that nothing is wrong. ranked: best first. best: the most probable set of causes."""

    healthy: float
    ranked: tuple[Ranked, ...]
    best: tuple[Suspect, ...]


def suspects() -> list[Suspect]:
    """Every cause at every place it can be."""
    places: Mapping[str, tuple[Role | None, ...]] = {
        "board": (Role.HAND, Role.CRAFT),
        "hand": (Role.HAND,),
        "craft": (Role.CRAFT,),
        "pair": (None,),
    }
    return [Suspect(cause, place) for cause in CAUSES for place in places[cause.where]]


def log_likelihood(facts: Sequence[Evidence], guilty: Sequence[Suspect]) -> float:
    """Of all facts together, given that exactly these are wrong, each mildly or badly; tempered by TRUST."""
    ways = [_given(facts, guilty, grades) for grades in itertools.product(_GRADES, repeat=len(guilty))]
    most = max(ways)
    return TRUST * (most + math.log(sum(math.exp(way - most) for way in ways) / len(ways)))


def _given(facts: Sequence[Evidence], guilty: Sequence[Suspect], grades: Sequence[float]) -> float:
    total = 0.0
    for fact in facts:
        unseen = 1.0 - CHANCES.get(fact.name, CHANCE)
        for one, grade in zip(guilty, grades, strict=True):
            unseen *= 1.0 - one.predicts(fact) ** grade
        # what a person says may be the opposite of what is so
        unseen = unseen * (1.0 - fact.error) + (1.0 - unseen) * fact.error
        total += math.log(1.0 - unseen if fact.holds else unseen)
    return total


def rank(facts: Sequence[Evidence]) -> Ranking:
    """The posterior over all hypotheses, summed up by suspect."""
    everybody = suspects()
    shares = sum(s.cause.share for s in everybody)
    singles = {s: math.log(ONE * s.cause.share / shares) + log_likelihood(facts, (s,)) for s in everybody}
    leaders = sorted(everybody, key=lambda s: -singles[s])[:_PAIRED]
    scores: dict[tuple[Suspect, ...], float] = {(): math.log(HEALTHY) + log_likelihood(facts, ())}
    scores.update({(s,): score for s, score in singles.items()})
    for pair in _pairs(leaders, everybody, facts):
        prior = math.log(TWO) + sum(math.log(s.cause.share / shares) for s in pair) + math.log(2.0)
        scores[pair] = prior + log_likelihood(facts, pair)
    most = max(scores.values())
    weights = {guilty: math.exp(score - most) for guilty, score in scores.items()}
    total = sum(weights.values())
    marginal: dict[Suspect, float] = dict.fromkeys(everybody, 0.0)
    for guilty, weight in weights.items():
        for one in guilty:
            marginal[one] += weight / total
    ranked = sorted((Ranked(s, p) for s, p in marginal.items()), key=lambda r: -r.confidence)
    return Ranking(weights[()] / total, tuple(ranked), max(weights, key=lambda g: weights[g]))


def _pairs(
    leaders: Sequence[Suspect], everybody: Sequence[Suspect], facts: Sequence[Evidence]
) -> list[tuple[Suspect, ...]]:
    """Leaders among themselves, and each with whoever explains best what it leaves unexplained."""
    found = {frozenset(p) for p in itertools.combinations(leaders, 2)}
    for one in leaders:
        left = [f for f in facts if f.holds and one.predicts(f) < 0.05]
        found |= {frozenset((one, other)) for other in everybody if any(other.predicts(f) > 0.2 for f in left)}
    order = {s: n for n, s in enumerate(everybody)}
    pairs = [tuple(sorted(p, key=lambda s: order[s])) for p in found if len(p) == 2]
    return sorted(pairs, key=lambda p: tuple(order[s] for s in p))
