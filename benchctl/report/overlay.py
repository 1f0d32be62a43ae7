"""Two runs' distributions laid over each other: the single values behind a reading that both runs kept.

A stage keeps tables of single values; a reading such as "latency_p50" is of the column or table "latency".
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.compare import Row
from benchctl.report.plots import Loader
from benchctl.runs.summary import Summary, Table
from benchctl.units import quantity

Floats = npt.NDArray[np.float64]
Recorded = tuple[Summary, Loader]

_BLOCKS = " ▁▂▃▄▅▆▇█"
#: what a reading's name has after the name of the thing that it is of
_ENDING = re.compile(r"_(p\d+|mean|median|spread|jitter|period)$")
TIMES = ("at", "t", "rise", "number")
#: kinds of table whose columns are single values of something that is compared
_KINDS = ("latency", "packets", "timeline")


@dataclass(frozen=True, slots=True)
class Overlay:
    """The values of one thing in both runs, shapes (n,) and (m,), finite. readings: those that are of it."""

    stage: str
    name: str
    unit: str
    readings: tuple[str, ...]
    reference: Floats
    new: Floats

    @property
    def span(self) -> tuple[float, float]:
        """From the least to the greatest value of both, but for the outermost half per cent at either side."""
        pooled = np.concatenate((self.reference, self.new))
        low, high = (float(v) for v in np.quantile(pooled, (0.005, 0.995)))
        return (low, high) if high > low else (low - 0.5, low + 0.5)

    def shares(self, bins: int) -> tuple[Floats, Floats]:
        """Shares of both runs' values in `bins` steps of the span; what lies outside is in the outermost ones."""
        edges = np.linspace(*self.span, bins + 1)
        one, other = (np.histogram(np.clip(v, edges[0], edges[-1]), edges)[0] / len(v) for v in self.both)
        return one, other

    @property
    def both(self) -> tuple[Floats, Floats]:
        return self.reference, self.new

    def lines(self, width: int, names: tuple[str, str] = ("reference", "new")) -> tuple[str, str, str]:
        """Both histograms as rows of blocks to one scale, with n, and their span; at most `width` wide."""
        heads = [f"{name} n {len(v)}" for name, v in zip(names, self.both, strict=True)]
        head = max(map(len, heads)) + 1
        room = max(10, min(60, width - head))
        shares = self.shares(room)
        top = max(float(s.max()) for s in shares)
        rows = [f"{told:<{head}}{_blocks(s / top)}" for told, s in zip(heads, shares, strict=True)]
        low, high = (quantity(v, self.unit, 3) for v in self.span)
        scale = f"{'':{head}}{low}{'':{max(1, room - len(low) - len(high))}}{high}"
        return rows[0].rstrip(), rows[1].rstrip(), scale if len(scale) <= width else f"{low} to {high}".rjust(width)


def _blocks(heights: Floats) -> str:
    """0 is a blank; whatever there is shows."""
    return "".join(_BLOCKS[0 if h <= 0 else max(1, round(8 * float(h)))] for h in heights)


def overlays(rows: Sequence[Row], reference: Recorded, news: Sequence[Recorded]) -> list[Overlay]:
    """What there is to lay over each other, in the order of the rows.

    news: the runs that the rows' new readings are from; several where samples were taken in more than one look.
    """
    found: dict[tuple[str, str, str, int], Overlay] = {}
    for row in rows:
        of = next((i for i, (s, _) in enumerate(news) if s.reading(row.stage, row.new.name) is row.new), None)
        if of is None:
            continue
        for table, column in _columns(reference[0], row):
            key = (row.stage, table.name, column, of)
            if key in found:
                old = found[key]
                names = (*old.readings, row.new.name)
                found[key] = Overlay(old.stage, old.name, old.unit, names, old.reference, old.new)
            else:
                made = _made(row, table, column, reference, news[of])
                found.update({key: made} if made is not None else {})
    return list(found.values())


def _columns(s: Summary, row: Row) -> Iterator[tuple[Table, str]]:
    """The one table and column that a reading is of."""
    stem = _ENDING.sub("", row.new.name).replace(".", "_")
    for table in s.stages[row.stage].tables.values():
        if table.shows not in _KINDS:
            continue
        for column in table.columns:
            if column not in TIMES and stem in _names(table, column):
                yield table, column
                return


def _names(table: Table, column: str) -> set[str]:
    """What readings call this column."""
    names = {column, f"{table.name.rpartition('_')[0]}_{column}"}
    if column in (table.columns[-1], "done") and table.shows != "timeline":
        names.add(table.name)
    if column == "total":
        names.add("latency")
    return names


def _made(row: Row, table: Table, column: str, reference: Recorded, new: Recorded) -> Overlay | None:
    other = new[0].stages[row.stage].tables.get(table.name)
    if other is None or (other.columns, other.units) != (table.columns, table.units):
        return None
    place = table.columns.index(column)
    sides = [load(t)[:, place] for (_, load), t in ((reference, table), (new, other))]
    one, two = (v[np.isfinite(v)] for v in sides)
    if not len(one) or not len(two):
        return None
    name = column if column not in ("total", "done") else table.name
    return Overlay(row.stage, name, table.units[place], (row.new.name,), one, two)
