"""The report as one JSON object, for machines. Values that could not be measured are null."""

from __future__ import annotations

import json
import math
from typing import Any

from benchctl import events as ev
from benchctl.report import words
from benchctl.runs.summary import BoardSummary, StageSummary, Summary
from benchctl.terms import Reading, Verdict


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
        "findings": [_finding(f) for f in s.findings],
        "state": str(s.state),
        "simulated": s.simulated,
        "bench_kind": s.bench_kind,
        "bench_sha256": s.bench_sha256,
        "images": {role: dict(image) for role, image in s.images.items()},
        "version": s.version,
        "started": s.wall,
        "seconds": _number(s.seconds),
        "missing": s.missing,
    }


def render(s: Summary, **more: str | int) -> str:
    """The report as text, ready to be written or printed. more: what the command line adds, see `ended`."""
    return json.dumps(report(s) | more, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def ended(reason: str, exit_code: int) -> dict[str, str | int]:
    """How a run on the command line ended: "" or what kept it from its end, and the process's exit code."""
    return {"reason": reason, "exit_code": exit_code}


def refused(reason: str, exit_code: int) -> str:
    """The object of a run that did not even begin."""
    whole = {"verdict": str(Verdict.UNDECIDED), **ended(reason, exit_code)}
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"


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
    return {
        "name": r.name,
        "value": _number(r.value),
        "unit": r.unit,
        "n": r.n,
        "low": _number(r.interval.low) if r.interval else None,
        "high": _number(r.interval.high) if r.interval else None,
        "limit_min": _number(r.limit.min) if r.limit else None,
        "limit_max": _number(r.limit.max) if r.limit else None,
        "verdict": None if r.verdict is None else str(r.verdict),
        "board": None if r.board is None else str(r.board),
        "source": str(r.source),
        "floor": _number(r.floor),
        "note": r.note,
    }


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
    }
