"""Recorded runs as values: verdicts, readings with their intervals, raw measurements as numpy arrays."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from benchctl import compare as comparing
from benchctl.analysis.judge import reason
from benchctl.errors import UsageError
from benchctl.events import FindingMade
from benchctl.runs.log import read
from benchctl.runs.summary import StageSummary, Summary, Table, summarise
from benchctl.runs.tables import Tables
from benchctl.terms import Reading, Verdict


@dataclass(frozen=True, slots=True, eq=False)
class Measurements:
    """Raw measurements of a stage: packets, a waveform, single latencies.

    columns: name to float64 array, all of one length, in the order of the record: `pandas.DataFrame(m.columns)` and
    `polars.DataFrame(m.columns)` take it as it is. units: unit of each column, "" for a bare number.
    """

    stage: str
    name: str
    columns: Mapping[str, npt.NDArray[np.float64]]
    units: Mapping[str, str]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def __getitem__(self, column: str) -> npt.NDArray[np.float64]:
        """One column. Raises KeyError."""
        return self.columns[column]


class Run:
    """A run, just performed or read from its folder.

    error: of one just performed: the sentence of what ended it early, "" otherwise.
    """

    def __init__(self, folder: Path, summary: Summary, error: str = "") -> None:
        self.folder = folder
        self.error = error
        self._summary = summary

    def __repr__(self) -> str:
        return f"<Run {self.name}: {self.verdict}>"

    @property
    def name(self) -> str:
        """As it was named when it was made."""
        return self._summary.run or self.folder.name

    @property
    def verdict(self) -> Verdict:
        """Of the whole."""
        return self._summary.outcome or Verdict.UNDECIDED

    @property
    def simulated(self) -> bool:
        """Whether no real board was there."""
        return self._summary.simulated

    @property
    def seconds(self) -> float:
        """How long it took in the bench's time."""
        return self._summary.seconds

    @property
    def labels(self) -> Mapping[str, str]:
        """The boards' labels by role."""
        return {str(role): b.label for role, b in self._summary.boards.items() if b.label} or dict(self._summary.labels)

    @property
    def stages(self) -> Mapping[str, Verdict]:
        """Verdict of every stage, by name, in order."""
        return {s.name: s.verdict or Verdict.NOT_RUN for s in self._summary.stages.values()}

    @property
    def findings(self) -> tuple[FindingMade, ...]:
        """The causes that the run points to, likeliest first."""
        return tuple(self._summary.findings)

    def why(self, stage: str) -> str:
        """Why a stage did not pass, in one sentence; "" where it did. Raises UsageError for a stage it has not."""
        return self._stage(stage).reason

    # ------------------------------------------------------------------ readings

    def readings(self, stage: str = "") -> dict[str, Reading]:
        """Readings of one stage by name; of all with the stage's name in front, as in "link.hand_to_craft.loss"."""
        if stage:
            return dict(self._stage(stage).readings)
        return {f"{s.name}.{r.name}": r for s, r in self._all()}

    def reading(self, name: str) -> Reading:
        """A reading by its name, with or without its stage's in front. Raises UsageError naming those there are."""
        found = [r for s, r in self._all() if name in (r.name, f"{s.name}.{r.name}")]
        if len(found) == 1:
            return found[0]
        known = ", ".join(f"{s.name}.{r.name}" for s, r in self._all()) or "none"
        what = "is of several stages" if found else "is not there"
        raise UsageError(f"run {self.name}: reading {name!r} {what}; there are {known}")

    def readings_table(self) -> dict[str, list[Any]]:
        """All readings as columns for a data frame: stage, reading, value, unit, n, low, high, level, limit_min,
        limit_max, verdict. What there is not is None."""
        rows = [
            (
                *(s.name, r.name, r.value if r.measured else None, r.unit, r.n),
                *((r.interval.low, r.interval.high, r.interval.level) if r.interval else (None, None, None)),
                *((r.limit.min, r.limit.max) if r.limit else (None, None)),
                None if r.verdict is None else str(r.verdict),
            )
            for s, r in self._all()
        ]
        return {name: [row[i] for row in rows] for i, name in enumerate(_COLUMNS)}

    # ------------------------------------------------------------------ raw measurements

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables of raw measurements, each with its stage in front."""
        return tuple(f"{t.stage}.{t.name}" for t in self._tables())

    def table(self, name: str) -> Measurements:
        """Raw measurements by the table's name, with or without its stage's in front. Raises UsageError."""
        found = [t for t in self._tables() if name in (t.name, f"{t.stage}.{t.name}")]
        if len(found) != 1:
            what = "is of several stages" if found else "is not there"
            raise UsageError(f"run {self.name}: table {name!r} {what}; there are {', '.join(self.tables) or 'none'}")
        table = found[0]
        data = Tables(self.folder)(table)
        columns = {column: data[:, i].copy() for i, column in enumerate(table.columns)}
        units = dict(zip(table.columns, table.units, strict=True))
        return Measurements(table.stage, table.name, MappingProxyType(columns), MappingProxyType(units))

    # ------------------------------------------------------------------ told

    def problems(self) -> list[str]:
        """What keeps the run from a pass, a sentence each: readings with interval and limit, or a stage's reason."""
        bad = [f"{s.name}.{r.name} {r.verdict}: {reason(r)}" for s, r in self._all() if r.verdict not in _FINE]
        return bad + self._other_problems()

    def _other_problems(self) -> list[str]:
        """Those that no reading's limit says."""
        out = [f"run ended early: {self.error}"] if self.error else []
        for s in self._summary.stages.values():
            verdict = s.verdict or Verdict.NOT_RUN
            if verdict is not Verdict.PASS and all(r.verdict in (None, Verdict.PASS) for r in s.readings.values()):
                out.append(f"{s.name} {verdict}: {s.reason or 'cut off'}")
        return out

    def check(self) -> Run:
        """The run itself when its verdict is pass.

        Raises AssertionError when it is not, naming each reading with its interval and its limit, the likeliest cause,
        and where the record is.
        """
        __tracebackhide__ = True  # pytest shows the test's line
        if self.verdict is Verdict.PASS:
            return self
        lines = self.problems()
        for f in self.findings[:1]:
            lines.append(f"likeliest cause: {f.title}, confidence {100 * f.confidence:.0f} %: {f.remedy}")
        raise AssertionError("\n".join([*lines, f"recorded in {self.folder}"]))

    def told(self) -> str:
        """Every reading that has a limit, with its interval and that limit, a line each, then what else is wrong."""
        lines = [f"{r.verdict.sign} {s.name}: {reason(r)}" for s, r in self._all() if r.verdict and r.limit]
        return "\n".join([*lines, *self._other_problems(), f"recorded in {self.folder}"])

    def sketch(self) -> str:
        """Histograms of the raw measurements in text characters; `report("html")` has the plots."""
        from benchctl.report.sketch import sketches

        return "\n".join(sketches(self._summary, Tables(self.folder)))

    def report(self, form: str = "text") -> str:
        """The report, as "text", "html", "json", "junit" or "tap". Raises UsageError for another form."""
        from benchctl.report.write import render_run

        return render_run(self.folder, form)

    # ------------------------------------------------------------------ inside

    def _all(self) -> Iterator[tuple[StageSummary, Reading]]:
        return ((s, r) for s in self._summary.stages.values() for r in s.readings.values())

    def _tables(self) -> Iterator[Table]:
        return (t for s in self._summary.stages.values() for t in s.tables.values())

    def _stage(self, name: str) -> StageSummary:
        if name not in self._summary.stages:
            raise UsageError(f"run {self.name}: no stage {name!r}; there are {', '.join(self._summary.stages)}")
        return self._summary.stages[name]


#: verdicts of a reading that keep no run from a pass
_FINE = (None, Verdict.PASS)
_COLUMNS = (
    *("stage", "reading", "value", "unit", "n", "low", "high", "level", "limit_min", "limit_max", "verdict"),
)  # fmt: skip


def read_run(folder: str | os.PathLike[str]) -> Run:
    """A recorded run, also one that was cut off. Raises UsageError for a folder that is no run."""
    path = Path(folder)
    log = read(path)
    summary = summarise(log.events)
    summary.close(log.missing)
    return Run(path, summary)


def compare_runs(reference: Run, new: Run, *, alpha: float = 0.05) -> comparing.Comparison:
    """Reading by reading: same, better, worse or undecided, by the margins that the reference recorded.

    alpha: chance of any false "worse" over all readings. Raises UsageError when the runs cannot be compared.
    """
    if not 0 < alpha < 1 or math.isnan(alpha):
        raise UsageError(f"alpha: expected a number between 0 and 1, got {alpha!r}")
    return comparing.compare(reference._summary, new._summary, alpha=alpha)
