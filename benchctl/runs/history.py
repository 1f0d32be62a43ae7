"""What many runs say together: per board the latest verdict, first-pass yield, frequent causes, trends, references.

Everything is computed from the rows of `index` or from the run folders; nothing is kept but which run is a board's
reference.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

from benchctl.analysis.loss import clopper_pearson
from benchctl.errors import RecordLost, UsageError
from benchctl.locks import locked
from benchctl.runs.folder import opened
from benchctl.runs.index import RunRow
from benchctl.runs.log import read
from benchctl.runs.summary import RunState, summarise
from benchctl.terms import Interval, Reading, Verdict

REFERENCES = "references.json"
#: order of runs
_BY_TIME = attrgetter("wall", "name")


@dataclass(frozen=True, slots=True)
class BoardHistory:
    """All runs of one board, earliest first; stages: how often each failed; causes: how often each came first."""

    label: str
    role: str
    runs: tuple[RunRow, ...]
    failed_stages: tuple[tuple[str, int], ...]
    causes: tuple[tuple[str, int], ...]

    @property
    def latest(self) -> RunRow:
        return self.runs[-1]

    @property
    def first_passed(self) -> bool:
        """The board passed the first time it was judged at all."""
        first = first_judged(self.runs)
        return first is not None and first.verdict is Verdict.PASS


@dataclass(frozen=True, slots=True)
class Yield:
    """Boards that passed at their first judged run, out of all that were judged; the exact interval of the share."""

    passed: int
    boards: int
    interval: Interval

    @property
    def share(self) -> float | None:
        return self.passed / self.boards if self.boards else None


def first_judged(rows: Iterable[RunRow]) -> RunRow | None:
    """The first that came to a pass or a fail."""
    return next((r for r in rows if r.verdict in (Verdict.PASS, Verdict.FAIL)), None)


def of_kind(rows: Iterable[RunRow], *, procedure: str = "", simulated: bool | None = None) -> list[RunRow]:
    """Rows of one procedure, and of real or of modelled benches only; rehearsals prove no board good."""
    return [
        r
        for r in rows
        if (not procedure or r.procedure == procedure)
        and (simulated is None or r.simulated is simulated)
        and r.state is not RunState.RUNNING
    ]


def chosen(
    rows: Iterable[RunRow],
    *,
    procedure: str | None = None,
    board: str | None = None,
    verdict: str | None = None,
    cause: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> list[RunRow]:
    """Rows of a procedure, a board's label, a verdict or a cause, or begun in a time; None: of any.

    since (included), until (not included): UTC as records have it, "2026-03-14T10:15:30Z".
    """
    return [
        r
        for r in rows
        if (procedure is None or r.procedure == procedure)
        and (verdict is None or r.verdict == verdict)
        and (cause is None or cause in r.cause_names)
        and (since is None or r.wall >= since)
        and (until is None or r.wall < until)
        and (board is None or board in r.labels())
    ]


def boards(rows: Iterable[RunRow]) -> list[BoardHistory]:
    """One history a label, by label. rows in any order; runs are ordered by their time, then name."""
    by_label: dict[str, list[RunRow]] = {}
    roles: dict[str, str] = {}
    for row in sorted(rows, key=_BY_TIME):
        for b in row.boards:
            if b.label:
                by_label.setdefault(b.label, []).append(row)
                roles[b.label] = b.role
    return [_history(label, roles[label], runs) for label, runs in sorted(by_label.items())]


def _history(label: str, role: str, runs: Sequence[RunRow]) -> BoardHistory:
    causes = Counter(c for r in runs for c, board in r.causes[:1] if board in ("", role))
    return BoardHistory(label, role, tuple(runs), _often(Counter(f for r in runs for f in r.failed)), _often(causes))


def _often(counts: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(counts.items(), key=lambda c: (-c[1], c[0])))


def first_pass_yield(histories: Iterable[BoardHistory], level: float = 0.95) -> Yield:
    """First-pass yield of a batch; boards that were never judged do not count."""
    tried = [h for h in histories if first_judged(h.runs) is not None]
    passed = sum(h.first_passed for h in tried)
    return Yield(passed, len(tried), clopper_pearson(passed, len(tried), level))


def frequent(rows: Iterable[RunRow]) -> tuple[tuple[tuple[str, int], ...], tuple[tuple[str, int], ...]]:
    """Failing stages and first-ranked causes over all rows, most frequent first."""
    kept = list(rows)
    return _often(Counter(f for r in kept for f in r.failed)), _often(Counter(c for r in kept for c, _ in r.causes[:1]))


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """A reading in one run. label: of the board whose reading it is, or all labels of the pair."""

    row: RunRow
    label: str
    reading: Reading


def trend(root: Path, rows: Iterable[RunRow], stage: str, reading: str) -> list[TrendPoint]:
    """A reading over runs, earliest first, read from their logs; runs without it are left out.

    Raises UsageError when a run can no longer be read.
    """
    out = []
    for row in sorted(rows, key=_BY_TIME):
        found = summarise(read(opened(root / row.name)).events).reading(stage, reading)
        if found is not None and found.measured:
            labels = [b.label for b in row.boards if found.board is None or b.role == found.board]
            out.append(TrendPoint(row, " + ".join(labels), found))
    return out


class References:
    """Which run later runs of the same boards are compared with, by board label and firmware line.

    A firmware line is any name for firmware that belongs together ("probe", "hover-fw 2"); kept in one small file.
    """

    def __init__(self, root: Path) -> None:
        self.path = root / REFERENCES

    def all(self) -> dict[tuple[str, str], str]:
        """(label, line) -> name of the run folder. Raises UsageError when the file is damaged."""
        try:
            told = json.loads(self.path.read_text("utf-8"))
            listed = told["references"] if isinstance(told, dict) else told  # a bare list, as of before
            return {(str(e["label"]), str(e["line"])): str(e["run"]) for e in listed}
        except FileNotFoundError:
            return {}
        except OSError as e:
            raise UsageError(f"{self.path} cannot be read: {e.strerror}") from e
        except (ValueError, TypeError, KeyError, RecursionError) as e:
            raise UsageError(f"{self.path} is damaged; expected a list of label, line and run") from e

    def get(self, label: str, line: str) -> str | None:
        """The reference of a board, None where none was set."""
        return self.all().get((label, line))

    def set(self, label: str, line: str, run: str) -> None:
        """Make the run folder called `run` the reference; of several processes each keeps what the others have set.

        Raises UsageError when it is no run, RecordLost when the file cannot be written.
        """
        opened(self.path.parent / run)
        try:
            with locked(self.path.with_name(f"{self.path.name}.lock")):
                self._write({**self.all(), (label, line): run})
        except OSError as e:
            raise RecordLost(f"cannot write {self.path}: {e.strerror}") from e

    def _write(self, entries: dict[tuple[str, str], str]) -> None:
        told = [{"label": a, "line": b, "run": r} for (a, b), r in sorted(entries.items())]
        new = self.path.with_name(f"{self.path.name}.new")
        new.write_text(json.dumps({"schema": 1, "references": told}, indent=1, ensure_ascii=False) + "\n", "utf-8")
        os.replace(new, self.path)
