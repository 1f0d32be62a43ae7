"""What commands print with --json, as plain data: ports, procedures, and the list of runs, which is also a table."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchctl.errors import UsageError
from benchctl.ports.discover import Found
from benchctl.procedure.file import Procedure
from benchctl.report.as_json import interval
from benchctl.runs import history
from benchctl.runs.index import RunRow
from benchctl.terms import Limit, Role

#: of the list of runs as a table; several stages of one cell are parted by a semicolon
COLUMNS = (
    *("name", "started", "procedure", "bench", "bench_kind", "simulated", "state", "verdict", "seconds"),
    *(str(role) for role in Role),
    *("failed", "undecided", "cause", "cause_board"),
)


def boards(found: Sequence[Found]) -> list[dict[str, Any]]:
    """Every serial port with who answers there."""
    return [
        {
            "port": f.port,
            "state": str(f.state),
            "description": f.description,
            "told": f.sentence,
            "baud": f.baud or None,
            "latency_ms": f.latency_ms,
            "role": str(f.identity.role) if f.identity and f.identity.role else None,
            "label": f.label or None,
            "firmware": f.identity.firmware if f.identity else None,
            "image_crc": f.identity.image_crc if f.identity else None,
            "fuses": f.identity.fuses.hex() or None if f.identity else None,
        }
        for f in found
    ]


def procedure(p: Procedure) -> dict[str, Any]:
    """A procedure with every parameter and limit resolved."""
    return {
        "name": p.name,
        "title": p.title,
        "note": p.note.strip(),
        "sha256": p.sha256,
        "stages": [
            {
                "name": s.name,
                "kind": s.stage.kind,
                "title": s.stage.title,
                "after": list(s.after),
                "optional": s.optional,
                "spins": s.stage.spins,
                "parameters": dict(s.parameters),
                "limits": {name: _limit(limit) for name, limit in s.limits.items()},
            }
            for s in p.steps
        ],
    }


def _limit(limit: Limit | None) -> dict[str, float | None]:
    return {"min": limit.min if limit else None, "max": limit.max if limit else None}


def runs(rows: Sequence[RunRow], most: int | None) -> dict[str, Any]:
    """The runs, at most so many, and the batch that all of them make up."""
    kept = history.boards(rows)
    got = history.first_pass_yield(kept)
    stages, causes = history.frequent(rows)
    return {
        "runs": [_run(row) for row in rows[:most]],
        "of": len(rows),
        "boards": [_board(h) for h in kept],
        "first_pass_yield": {
            "value": None if got.share is None else 100 * got.share,
            "unit": "%",
            "n": got.boards,
            **interval(got.interval.scaled(100) if got.boards else None),
        },
        "failing_stages": dict(stages),
        "first_causes": dict(causes),
    }


def _board(h: history.BoardHistory) -> dict[str, Any]:
    verdict = str(h.latest.verdict)
    return {"label": h.label, "role": h.role, "runs": len(h.runs), "latest": h.latest.name, "verdict": verdict}


def _run(row: RunRow) -> dict[str, Any]:
    return {
        "name": row.name,
        "run": row.run,
        "started": row.wall,
        "procedure": row.procedure,
        "bench": row.bench,
        "bench_kind": row.bench_kind,
        "simulated": row.simulated,
        "state": str(row.state),
        "verdict": str(row.verdict),
        "seconds": row.seconds if math.isfinite(row.seconds) else None,
        "boards": [
            {"role": b.role, "label": b.label, "firmware": b.firmware, "image_crc": b.image_crc} for b in row.boards
        ],
        "failed": list(row.failed),
        "undecided": list(row.undecided),
        "causes": [
            {"cause": name, "title": title, "board": board or None}
            for name, (title, board) in zip(row.cause_names, row.causes, strict=True)
        ],
    }


def _cells(row: RunRow) -> tuple[Any, ...]:
    labels = {b.role: b.label for b in row.boards}
    cause, board = (row.cause_names[0], row.causes[0][1]) if row.causes else ("", "")
    return (
        *(row.name, row.wall, row.procedure, row.bench, row.bench_kind, row.simulated, str(row.state)),
        *(str(row.verdict), row.seconds),
        *(labels.get(str(role), "") for role in Role),
        *("; ".join(row.failed), "; ".join(row.undecided), cause, board),
    )


def as_csv(rows: Sequence[RunRow]) -> str:
    """A row a run, as RFC 4180 has it."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    writer.writerows(_cells(row) for row in rows)
    return out.getvalue()


def write_parquet(path: Path, rows: Sequence[RunRow]) -> None:
    """The same as a Parquet file. Raises UsageError where pyarrow is missing or the file cannot be written."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as e:
        raise UsageError("--parquet: expected pyarrow to be there: pip install 'benchctl[parquet]'") from e
    table = list(zip(*map(_cells, rows), strict=True)) or [()] * len(COLUMNS)
    try:
        pyarrow.parquet.write_table(pyarrow.table(dict(zip(COLUMNS, map(list, table), strict=True))), path)
    except OSError as e:
        raise UsageError(f"--parquet {path}: cannot be written ({e.strerror or e})") from e
