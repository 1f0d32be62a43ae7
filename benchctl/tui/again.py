"""After a failure: the stages that did not pass, and what they need, run once more; and what that has changed.

It is a run of its own, with a record and an interlock of its own: nothing attested before counts in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchctl.report import words
from benchctl.runs.summary import Summary
from benchctl.terms import Reading, Verdict, readable
from benchctl.tui.link import Choice
from benchctl.tui.widgets.lines import Line, line
from benchctl.tui.widgets.readings import bar, value_text

UNSURE = (Verdict.FAIL, Verdict.UNDECIDED)
#: in the name of a procedure that was cut down to what failed, so that it is never taken for the whole one
_MARK = "-again"
_BAR = 21


def again(choice: Choice, before: Summary) -> Choice | None:
    """The choice cut down to what failed or was not decided, with what that needs; None where nothing was."""
    known = {step.name for step in choice.procedure.steps}
    names = [s.name for s in before.stages.values() if s.verdict in UNSURE and s.name in known]
    if not names:
        return None
    cut = choice.procedure.only(names)
    name = cut.name if cut.name.endswith(_MARK) else f"{cut.name}{_MARK}"
    return replace(choice, procedure=replace(cut, name=name), before=before)


def earlier(before: Summary | None, stage: str) -> dict[str, Reading]:
    """The readings of a stage in the run before, by name."""
    found = before.stages.get(stage) if before is not None else None
    return found.readings if found is not None else {}


def changes(before: Summary, after: Summary, width: int) -> list[Line]:
    """What failed or fails, each stage's verdict and readings before and after, both on one bar."""
    out: list[Line] = []
    for stage in after.stages.values():
        old = before.stages.get(stage.name)
        if old is None or old.verdict not in UNSURE:
            continue
        tone = "good" if stage.verdict is Verdict.PASS else "warn"
        out.append(line((f"{stage.title or readable(stage.name)}: {old.word} → {stage.word}", tone)))
        for one, other in _pairs(old.readings, stage.readings):
            out += _both(one, other, width)
    if out:
        out.insert(0, line(("Before ○ and after ●", "strong")))
    return out


def _pairs(before: dict[str, Reading], after: dict[str, Reading]) -> Iterator[tuple[Reading, Reading]]:
    """Readings with a limit that failed or were not decided in one of the runs."""
    for name, other in after.items():
        one = before.get(name)
        if one is not None and other.limit is not None and (one.verdict in UNSURE or other.verdict in UNSURE):
            yield one, other


def _both(one: Reading, other: Reading, width: int) -> list[Line]:
    told = f"  {readable(other.subject)} {other.what}:".replace("   ", "  ")
    values = f"{value_text(one, 3)} → {value_text(other, 3)}"
    sign = other.verdict.sign if other.verdict else "·"
    tone = "good" if other.verdict is Verdict.PASS else "bad" if other.verdict is Verdict.FAIL else "warn"
    return [
        line(f"{told}  {values}"[:width]),
        line(
            (f"  {sign} ", tone),
            (bar(other, min(_BAR, width - 4), one.value), tone),
            (f" {words.limit(other)}", "soft"),
        ),
    ]
