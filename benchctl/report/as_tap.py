"""The report by the Test Anything Protocol, version 14: one test point a stage, readings in its YAML block.

A stage that was not run is skipped; an undecided one is "not ok", since the stream knows no third answer; a run that
was stopped or cut off bails out after the stages that had ended.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

from benchctl.report import words
from benchctl.runs.summary import StageState, StageSummary, Summary
from benchctl.terms import Reading, Verdict


def render(s: Summary) -> str:
    """The whole stream."""
    return "\n".join(_lines(s)) + "\n"


def _lines(s: Summary) -> Iterator[str]:
    stages = list(s.stages.values())
    bail = next(words.interruptions(s), "") if s.aborted or s.stop is not None else ""
    yield "TAP version 14"
    yield f"1..{len(stages)}" if stages else "1..0 # SKIP no stage was recorded"
    yield _comment(f"run {s.run}, bench {s.bench}, verdict {s.outcome or Verdict.UNDECIDED}")
    if s.simulated:
        yield _comment(words.NOTHING_REAL)
    for number, stage in enumerate(stages, 1):
        if bail and stage.state is not StageState.ENDED:
            continue
        yield from _point(number, stage, s)
    for f in s.findings:
        yield _comment(f"likely cause {f.rank}: {f.title} ({words.confidence(f.confidence)}): {f.remedy}")
    if bail:
        yield f"Bail out! {_line(bail)}"


def _line(text: str) -> str:
    """One line of text: a line break would start another line of the protocol."""
    return " ".join(words.clean(text).split())


def _comment(text: str) -> str:
    return f"# {_line(text)}"


def escaped(text: str) -> str:
    """A description or reason: "#" and the backslash are escaped, nothing else is."""
    return _line(text).replace("\\", "\\\\").replace("#", "\\#")


def _point(number: int, stage: StageSummary, s: Summary) -> Iterator[str]:
    verdict, reason = words.stage_verdict(stage), words.stage_reason(stage, s)
    good = "ok" if verdict in (Verdict.PASS, Verdict.NOT_RUN) else "not ok"
    skip = f" # SKIP {escaped(reason)}".rstrip() if verdict is Verdict.NOT_RUN else ""
    yield f"{good} {number} - {escaped(stage.name)}{skip}"
    if verdict is Verdict.NOT_RUN:
        return
    yield "  ---"
    yield f"  verdict: {_quoted(str(verdict))}"
    if reason:
        yield f"  reason: {_quoted(reason)}"
    yield f"  seconds: {_number(stage.seconds)}"
    if stage.readings:
        yield "  readings:"
    for r in stage.readings.values():
        yield from _reading(r)
    yield "  ..."


def _reading(r: Reading) -> Iterator[str]:
    """A reading as a block mapping; strings are quoted as JSON, which YAML 1.2 takes as they are."""
    yield f"    - name: {_quoted(r.name)}"
    rows = [("value", _number(r.value)), ("unit", _quoted(r.unit)), ("n", str(r.n))]
    if r.interval is not None:
        rows += [("low", _number(r.interval.low)), ("high", _number(r.interval.high))]
    if r.limit is not None:
        bounds = (("limit_min", r.limit.min), ("limit_max", r.limit.max))
        rows += [(name, _number(bound)) for name, bound in bounds if bound is not None]
    if r.verdict is not None:
        rows.append(("verdict", _quoted(str(r.verdict))))
    for name, value in rows:
        yield f"      {name}: {value}"


def _quoted(text: str) -> str:
    return json.dumps(_line(text), ensure_ascii=False)


def _number(value: float) -> str:
    """A number of YAML: NaN and infinity have names of their own; with a point, which YAML 1.1 wants before "e"."""
    if math.isfinite(value):
        text = repr(float(value))
        return text if "." in text else text.replace("e", ".0e")
    return ".nan" if math.isnan(value) else ".inf" if value > 0 else "-.inf"
