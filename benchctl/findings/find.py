"""From a run's summary to its findings: evidence, ranking, and each finding put into words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchctl.events import FindingMade
from benchctl.findings.causes import CHANCE, CHANCES
from benchctl.findings.evidence import evidence
from benchctl.findings.rank import Ranked, Ranking, Suspect, rank
from benchctl.findings.record import LIMIT, Evidence, RecordQuery, named_value
from benchctl.findings.remedy import remedy
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict, readable

#: a cause is told from this confidence on, and only where "healthy" is less likely than not
LEAST = 0.10
MOST = 5
#: no finding is told surer than this: the table itself can be wrong (judgement)
SUREST = 0.99
#: of two causes that all evidence fits alike the second may be this many times less likely
ALIKE = 4.0
#: the finding of a failed run that no cause of the table fits, and how sure that is (judgement)
UNKNOWN, NO_CAUSE = "unknown", 0.5
#: evidence by the kind of stage that looks at them, for "run this next"
_STAGE_OF = {
    **dict.fromkeys(
        ("rest_dead", "rest_low", "listen_lost", "listen_drop", "burst_lost", "burst_dip", "burst_resistive",
         "main_low",
         "main_soft", "main_joint", "brown_out_level", "brown_out_margin", "sending_lost", "average_lost"), "supply"),
    **dict.fromkeys(("sending_low", "servo_sag", "trigger_transmit", "forgets"), "load_hunt"),
    **dict.fromkeys(("busy", "variant"), "transceiver"),
    **dict.fromkeys(
        ("settings_differ", "lossy", "dead", "one_way", "heard", "weak_better", "unheard", "no_reserve"), "radio_link"),
}  # fmt: skip


def find(summary: Summary) -> list[FindingMade]:
    """The findings of a run, rank 1 first; none for a healthy one. From the record alone: same record, same list.

    Causes that all evidence fits alike are one finding. A failed run that no cause fits has one that says so.
    """
    seen, record = evidence(summary), RecordQuery(summary)
    told = _told(seen)
    if not told:
        return _nothing_fits(record, seen)
    groups = _grouped(told, seen)
    return [_finding(n, group, told, seen, record) for n, group in enumerate(groups[:MOST], 1)]


def _told(seen: Sequence[Evidence]) -> list[Ranked]:
    """The causes worth telling, best first."""
    # what healthy boards show as well tells of nothing by itself
    if not any(f.holds and f.name not in CHANCES for f in seen):
        return []
    ranking = rank(seen)
    return [] if ranking.healthy >= 0.5 else [r for r in ranking.ranked if r.confidence >= LEAST]


def _grouped(told: Sequence[Ranked], seen: Sequence[Evidence]) -> list[list[Ranked]]:
    """Causes of one place that explain the same of what holds, and miss the same of what does not, together."""
    groups: dict[tuple[object, ...], list[Ranked]] = {}
    for one in told:
        shown = tuple((f.name, f.board) for f in seen if _tells(f) and one.suspect.predicts(f) > 0.05)
        missed = tuple((f.name, f.board) for f in seen if not f.holds and one.suspect.predicts(f) >= 0.5)
        group = groups.setdefault((one.suspect.board, shown, missed), [])
        # what is much less likely than the group's first is no equal of it
        key = (one.suspect, shown, missed)
        (group if not group or one.confidence * ALIKE >= group[0].confidence else groups.setdefault(key, [])).append(
            one
        )
    return sorted(groups.values(), key=lambda g: -_sum(g))


def _sum(group: Sequence[Ranked]) -> float:
    return min(sum(r.confidence for r in group), SUREST)


def ranking_of(summary: Summary) -> Ranking:
    """The whole posterior, for campaigns and for who wants to see more than the findings."""
    return rank(evidence(summary))


def wants_hunt(summary: Summary) -> bool:
    """Whether a load hunt, which spins nothing, would tell the leading causes apart and was not made."""
    if any(s.kind == "load_hunt" and s.readings for s in summary.stages.values()):
        return False
    ranking = ranking_of(summary)
    return ranking.healthy < 0.5 and any(r.suspect.cause.hunt and r.confidence >= LEAST for r in ranking.ranked[:3])


def _finding(
    number: int, group: Sequence[Ranked], told: Sequence[Ranked], seen: Sequence[Evidence], record: RecordQuery
) -> FindingMade:
    suspect, alike = group[0].suspect, [r.suspect for r in group[1:]]
    others = [*alike, *(r.suspect for r in told if r not in group)]
    # a run that failed nothing has no fault to tell, but what it passes by is worth knowing
    reserve = "" if any(f.holds and f.name == LIMIT for f in seen) else "passes, by its reserve only: "
    remedies = [remedy(record, s.cause, s.board) for s in (suspect, *alike)]
    return FindingMade(
        record.summary.t, number, suspect.cause.name, reserve + "; or ".join(s.cause.title for s in (suspect, *alike)),
        round(_sum(group), 4), suspect.board, _for(suspect, seen), _against(suspect, others, seen),
        "; or ".join(remedies), _next_test(suspect, others, seen, record),
        group=tuple(s.cause.name for s in alike), explanation=suspect.cause.explanation,
    )  # fmt: skip


def _nothing_fits(record: RecordQuery, seen: Sequence[Evidence]) -> list[FindingMade]:
    """What to say of a failed run without a known cause: what is established, and what to measure next."""
    failed = [s for s in record.summary.stages.values() if s.verdict is Verdict.FAIL]
    if not failed:
        return []
    readings = [named_value(r) for s in failed for r in s.failed_readings]
    facts = [f.sentence() for s in failed for f in s.facts]
    shown = [f.text for f in seen if _tells(f)]
    boards = {r.board for s in failed for r in s.failed_readings}
    stage = failed[0]
    again = f"repeat “{readable(stage.name)}” with the two boards' parts exchanged one by one, and once with others"
    return [
        FindingMade(
            record.summary.t, 1, UNKNOWN, "no known cause fits", NO_CAUSE, boards.pop() if len(boards) == 1 else None,
            tuple(dict.fromkeys((*readings, *facts, *shown))), (),
            "nothing to change is known: what is established is what failed. Measure before you solder", again,
        )
    ]  # fmt: skip


def _tells(fact: Evidence) -> bool:
    """It holds, and points to somewhere."""
    return fact.holds and fact.name != LIMIT


def _for(suspect: Suspect, seen: Sequence[Evidence]) -> tuple[str, ...]:
    """Facts that hold and that it predicts, the most telling first."""
    weighed = [
        (math.log(p / CHANCES.get(f.name, CHANCE)), f) for f in seen if _tells(f) and (p := suspect.predicts(f)) > 0.05
    ]
    return tuple(dict.fromkeys(f.text for _, f in sorted(weighed, key=lambda w: -w[0])))


def _against(suspect: Suspect, others: Sequence[Suspect], seen: Sequence[Evidence]) -> tuple[str, ...]:
    """What it predicts and is not there, and what is there and nobody who is told of explains."""
    missing = [f.text for f in seen if not f.holds and f.name != LIMIT and suspect.predicts(f) >= 0.5]
    odd = [
        f"not explained by it: {f.text}"
        for f in seen
        if _tells(f)
        and f.name not in CHANCES
        and suspect.predicts(f) < 0.05
        and all(o.predicts(f) < 0.05 for o in others)
    ]
    told = set(_for(suspect, seen))
    return tuple(t for t in dict.fromkeys(missing + odd) if t not in told)


def _next_test(suspect: Suspect, others: Sequence[Suspect], seen: Sequence[Evidence], record: RecordQuery) -> str:
    """The stage, not yet made in this run, on whose evidence this cause and its rival differ most; else its own test.

    A stage that was made has said what it can: what it left open it would leave open again.
    """
    if not others:
        return suspect.cause.next_test
    rival, known = others[0], {f.name for f in seen if suspect.board in (None, f.board) or f.board is None}
    names = [
        n for n in {**suspect.cause.predicts, **rival.cause.predicts}
        if n not in known and n in _STAGE_OF and not record.stages(_STAGE_OF[n])
    ]  # fmt: skip
    apart = {n: abs(suspect.cause.predicts.get(n, 0.0) - rival.cause.predicts.get(n, 0.0)) for n in names}
    best = max(apart, key=lambda n: apart[n], default="")
    if best and apart[best] >= 0.3:
        return f"run the stage “{readable(_STAGE_OF[best])}”: it tells this from “{rival.cause.title}”"
    return suspect.cause.next_test
