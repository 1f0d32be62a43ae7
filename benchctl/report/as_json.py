"""The report as one JSON object, for machines. Values that could not be measured are null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from benchctl import events as ev
from benchctl.report import words
from benchctl.runs.summary import BoardSummary, StageSummary, Summary
from benchctl.terms import Interval, Reading, Verdict

#: of every object that is printed or written here: data/schemas has its schema; raise it when a key goes or changes
SCHEMA = 1


def report(s: Summary) -> dict[str, Any]:
    """The object that `--json` prints."""
    return {
        "run": s.run,
        "procedure": {"name": s.procedure, "sha256": s.procedure_sha256},
        "bench": s.bench,
        "seed": s.seed,
        "verdict": _word(s.outcome),
        "boards": [_board(b) for b in s.boards.values() if b.seen],
        "stages": [_stage(stage, s) for stage in s.stages.values()],
        "findings": findings(s),
        "state": str(s.state),
        "simulated": s.simulated,
        "bench_kind": s.bench_kind,
        "bench_sha256": s.bench_sha256,
        "images": {role: dict(image) for role, image in s.images.items()},
        "version": s.version,
        "started": s.wall,
        "seconds": _number(s.seconds),
        "missing": s.missing,
        "schema": SCHEMA,
    }


def render(s: Summary, **more: Any) -> str:
    """The report as text, ready to be written or printed. more: what the command line adds, see `ended`."""
    return json.dumps(report(s) | more, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def ended(reason: str, exit_code: int) -> dict[str, Any]:
    """How a run on the command line ended: "" or what kept it from its end, and the process's exit code."""
    return {"reason": reason, "exit_code": exit_code, **({"error": reason} if reason else {})}


def refused(reason: str, exit_code: int, *, run: bool = False) -> str:
    """The object of a command that could not do what it was asked; of a run also as one that did not even begin."""
    as_run = {"verdict": str(Verdict.UNDECIDED), "reason": reason} if run else {}
    return written({**as_run, "error": reason, "exit_code": exit_code})


def written(told: Mapping[str, Any]) -> str:
    """What a command prints with --json: the object, with the number of its schema."""
    return json.dumps({**told, "schema": SCHEMA}, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def interval(found: Interval | None) -> dict[str, float | None]:
    """An interval as it stands in every object, beside its value: low, high and level, null where there is none."""
    if found is None:
        return {"low": None, "high": None, "level": None}
    return {"low": _number(found.low), "high": _number(found.high), "level": found.level}


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value


def _word(verdict: Verdict | None) -> str:
    return str(Verdict.UNDECIDED if verdict is None else verdict)


def _board(b: BoardSummary) -> dict[str, Any]:
    return {
        "role": str(b.role),
        "label": b.label,
        "firmware": b.firmware,
        "image_crc": b.image_crc,
        "clock_hz": b.clock_hz,
        "port": b.port,
        "via": b.via,
        "resets": b.unasked_resets,
        "lost": b.lost,
    }


def _stage(stage: StageSummary, s: Summary) -> dict[str, Any]:
    return {
        "name": stage.name,
        "kind": stage.kind,
        "verdict": str(words.stage_verdict(stage)),
        "seconds": _number(stage.seconds),
        "reason": words.stage_reason(stage, s),
        "readings": [_reading(r) for r in stage.readings.values()],
    }


def _reading(r: Reading) -> dict[str, Any]:
    about = interval(r.interval)
    return {
        "name": r.name,
        "value": _number(r.value),
        "unit": r.unit,
        "n": r.n,
        "low": about["low"],
        "high": about["high"],
        "limit_min": _number(r.limit.min) if r.limit else None,
        "limit_max": _number(r.limit.max) if r.limit else None,
        "verdict": None if r.verdict is None else str(r.verdict),
        "board": None if r.board is None else str(r.board),
        "source": str(r.source),
        "floor": _number(r.floor),
        "level": about["level"],
        "note": r.note,
    }


def findings(s: Summary) -> list[dict[str, Any]]:
    """The causes, likeliest first."""
    return [_finding(f) for f in s.findings]


def _finding(f: ev.FindingMade) -> dict[str, Any]:
    return {
        "cause": f.cause,
        "confidence": _number(f.confidence),
        "board": None if f.board is None else str(f.board),
        "evidence": list(f.evidence),
        "remedy": f.remedy,
        "next_test": f.next_test,
        "title": f.title,
        "against": list(f.against),
        "explanation": f.explanation,
    }
