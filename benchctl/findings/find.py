"""From a run's summary to its findings: facts, ranking, and each finding put into words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchctl.events import FindingMade
from benchctl.findings.causes import CHANCE, CHANCES
from benchctl.findings.evidence import facts
from benchctl.findings.rank import Ranked, Ranking, Suspect, rank
from benchctl.findings.record import LIMIT, Fact, Log
from benchctl.findings.remedy import remedy
from benchctl.runs.summary import Summary

#: a cause is told from this confidence on, and only where "healthy" is less likely than not
LEAST = 0.10
MOST = 5
#: no finding is told surer than this: the table itself can be wrong (judgement)
SUREST = 0.99
#: facts by the stage that looks at them, for "run this next"
_STAGE_OF = {
    **dict.fromkeys(
        ("rest_dead", "rest_low", "listen_lost", "listen_drop", "burst_lost", "burst_dip", "burst_resistive",
         "main_low",
         "main_soft", "main_joint", "brown_out_level", "brown_out_margin"), "supply"),
    **dict.fromkeys(("sending_low", "servo_sag", "trigger_transmit", "forgets"), "load hunt"),
    **dict.fromkeys(("busy", "variant"), "transceiver"),
    **dict.fromkeys(
        ("settings_differ", "lossy", "dead", "one_way", "heard", "weak_better", "unheard", "no_reserve"), "radio link"),
}  # fmt: skip


def find(summary: Summary) -> list[FindingMade]:
    """The findings of a run, rank 1 first; none for a healthy one. From the log alone: the same log, the same list."""
    seen = facts(summary)
    # what healthy boards show as well tells of nothing by itself
    if not any(f.holds and f.name not in CHANCES for f in seen):
        return []
    ranking = rank(seen)
    if ranking.healthy >= 0.5:
        return []
    told = [r for r in ranking.ranked if r.confidence >= LEAST][:MOST]
    log = Log(summary)
    return [_finding(n, one, told, seen, log, summary.t) for n, one in enumerate(told, 1)]


def ranking_of(summary: Summary) -> Ranking:
    """The whole posterior, for campaigns and for who wants to see more than the findings."""
    return rank(facts(summary))


def wants_hunt(summary: Summary) -> bool:
    """Whether a load hunt, which spins nothing, would tell the leading causes apart and was not made."""
    if any(s.kind == "load_hunt" and s.readings for s in summary.stages.values()):
        return False
    ranking = ranking_of(summary)
    return ranking.healthy < 0.5 and any(r.suspect.cause.hunt and r.confidence >= LEAST for r in ranking.ranked[:3])


def _finding(number: int, one: Ranked, told: Sequence[Ranked], seen: Sequence[Fact], log: Log, t: float) -> FindingMade:
    suspect, cause = one.suspect, one.suspect.cause
    others = [r.suspect for r in told if r is not one]
    return FindingMade(
        t, number, cause.name, cause.title, round(min(one.confidence, SUREST), 4), suspect.board, _for(suspect, seen),
        _against(suspect, others, seen), f"{remedy(log, cause, suspect.board)}. {cause.explanation}",
        _next_test(suspect, others, seen),
    )  # fmt: skip


def _tells(fact: Fact) -> bool:
    """It holds, and points to somewhere."""
    return fact.holds and fact.name != LIMIT


def _for(suspect: Suspect, seen: Sequence[Fact]) -> tuple[str, ...]:
    """Facts that hold and that it predicts, the most telling first."""
    weighed = [
        (math.log(p / CHANCES.get(f.name, CHANCE)), f) for f in seen if _tells(f) and (p := suspect.predicts(f)) > 0.05
    ]
    return tuple(dict.fromkeys(f.text for _, f in sorted(weighed, key=lambda w: -w[0])))


def _against(suspect: Suspect, others: Sequence[Suspect], seen: Sequence[Fact]) -> tuple[str, ...]:
    """What it predicts and is not there, and what is there and nobody who is told of explains."""
    missing = [f.text for f in seen if not f.holds and f.name != LIMIT and suspect.predicts(f) >= 0.5]
    odd = [
        f"not explained by it: {f.text}"
        for f in seen
        if _tells(f) and suspect.predicts(f) < 0.05 and all(o.predicts(f) < 0.05 for o in others)
    ]
    told = set(_for(suspect, seen))
    return tuple(t for t in dict.fromkeys(missing + odd) if t not in told)


def _next_test(suspect: Suspect, others: Sequence[Suspect], seen: Sequence[Fact]) -> str:
    """Of the facts not yet looked at, the one on which this cause and its rival differ most; else its own test."""
    if not others:
        return suspect.cause.next_test
    rival, known = others[0], {f.name for f in seen if suspect.board in (None, f.board) or f.board is None}
    names = [n for n in {**suspect.cause.predicts, **rival.cause.predicts} if n not in known and n in _STAGE_OF]
    apart = {n: abs(suspect.cause.predicts.get(n, 0.0) - rival.cause.predicts.get(n, 0.0)) for n in names}
    best = max(apart, key=lambda n: apart[n], default="")
    if best and apart[best] >= 0.3:
        return f"run the {_STAGE_OF[best]} stage: it tells this from “{rival.cause.title}”"
    return suspect.cause.next_test
