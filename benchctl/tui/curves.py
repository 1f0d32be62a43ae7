"""Tables of raw measurements made small enough for a plot in a terminal: at most a few hundred points each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.telling import nearness, trouble_by_load
from benchctl.analysis.thinning import thinned
from benchctl.terms import Limit, readable
from benchctl.units import shown

Floats = npt.NDArray[np.float64]
_MOST = 600
_MOST_LINES = 3
#: a table that is called by its name
_PLAIN = ev.Picture()


@dataclass(frozen=True, slots=True)
class Curve:
    """One line of a plot. x, y: float64 of the same length; NaN breaks the line. joined: drawn as a line, not dots.
    limits: of the reading that it shows, in y's unit. title: what it shows, "" where the axes say it. bars: each a name
    and its values, drawn in place of a line. telling: how near it comes to a limit."""

    name: str
    x: Floats
    y: Floats
    x_name: str
    x_unit: str
    y_name: str
    y_unit: str
    joined: bool = True
    limits: tuple[float, ...] = ()
    title: str = ""
    bars: tuple[tuple[str, tuple[float, ...]], ...] = ()
    telling: float = 0.0


def curves(shows: str, name: str, columns: Sequence[str], units: Sequence[str], data: Floats,
           picture: ev.Picture = _PLAIN) -> list[Curve]:  # fmt: skip
    """What is worth drawing of a table, by its kind."""
    if not len(data):
        return []
    table = _Table(name, list(columns), [shown(u) for u in units], data)
    title = ", ".join(filter(None, (picture.title, readable(picture.of))))
    limits = {_axis_name(column): limit for column, limit in picture.limits.items()}
    return [_judged(replace(c, title=title), limits.get(c.y_name)) for c in _KINDS.get(shows, _lines)(table)]


def _judged(curve: Curve, limit: Limit | None) -> Curve:
    if limit is None:
        return curve
    return replace(curve, limits=ends(limit), telling=nearness(curve.y, limit))


def ends(limit: Limit) -> tuple[float, ...]:
    """A limit as the lines to draw for it."""
    return tuple(end for end in (limit.min, limit.max) if end is not None)


def merged(before: Sequence[Curve], after: Sequence[Curve]) -> list[Curve]:
    """Curves of a table that came in two parts."""
    if [c.y_name for c in before] != [c.y_name for c in after]:
        return list(after)
    return [
        _thin(a, np.concatenate([b.x, a.x]), np.concatenate([b.y, a.y])) for b, a in zip(before, after, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Table:
    name: str
    columns: list[str]
    units: list[str]
    data: Floats

    def column(self, name: str) -> Floats | None:
        return self.data[:, self.columns.index(name)] if name in self.columns else None

    def curve(self, y: int, x: int = 0, *, joined: bool = True, values: Floats | None = None) -> Curve:
        """Column `y` (or `values` in its place) over column `x`; over the row number where x is negative."""
        over = self.data[:, x] if x >= 0 else np.arange(len(self.data), dtype=np.float64)
        x_name, x_unit = (self.columns[x], self.units[x]) if x >= 0 else ("number", "")
        curve = Curve(
            self.name, over, over, _axis_name(x_name), x_unit, _axis_name(self.columns[y]), self.units[y], joined
        )
        return _thin(curve, over, self.data[:, y] if values is None else values)


def _axis_name(name: str) -> str:
    return "time" if name in ("at", "t") else name.replace("_", " ")


def _thin(like: Curve, x: Floats, y: Floats) -> Curve:
    """At most `_MOST` points that keep the least and the greatest of every stretch."""
    x, y = thinned(x, y, _MOST)
    return replace(like, x=x, y=y)


def _packets(table: _Table) -> list[Curve]:
    """Share of lost packets in stretches of time."""
    lost = table.column("lost")
    if lost is None:
        return _lines(table)
    at = table.data[:, 0]
    edges = np.linspace(at.min(), max(at.max(), at.min() + 1e-9), min(60, max(2, len(at) // 25)) + 1)
    counts = np.histogram(at, edges)[0]
    sums = np.histogram(at, edges, weights=np.nan_to_num(lost))[0]
    some = counts > 0
    middle = ((edges[:-1] + edges[1:]) / 2)[some]
    share = 100.0 * sums[some] / counts[some]
    return [Curve(table.name, middle, share, _axis_name(table.columns[0]), table.units[0], "lost", "%")]


def _latency(table: _Table) -> list[Curve]:
    timed = len(table.columns) > 1 and table.columns[0] in ("at", "t")
    total = table.columns.index("total") if "total" in table.columns else len(table.columns) - 1
    return [table.curve(total, 0 if timed else -1, joined=False)]


def _scan(table: _Table) -> list[Curve]:
    samples = table.column("samples")
    if samples is None:
        return [table.curve(1)]
    share = 100.0 * table.data[:, 1] / np.maximum(samples, 1.0)
    return [Curve(table.name, table.data[:, 0], share, _axis_name(table.columns[0]), "", "busy", "%")]


def _waveform(table: _Table) -> list[Curve]:
    order = np.argsort(table.data[:, 0], kind="stable")
    sorted_table = _Table(table.name, table.columns, table.units, table.data[order])
    return [sorted_table.curve(1)]


def _sweep(table: _Table) -> list[Curve]:
    return [table.curve(1, joined=False)]


def _lines(table: _Table) -> list[Curve]:
    if len(table.columns) == 1:
        return [table.curve(0, -1)]
    return [table.curve(y) for y in range(1, min(len(table.columns), _MOST_LINES + 1))]


def _edges(table: _Table) -> list[Curve]:
    """Levels as steps: each holds until the next edge."""
    return [replace(c, x=np.repeat(c.x, 2)[1:], y=np.repeat(c.y, 2)[:-1]) if len(c.x) > 1 else c for c in _lines(table)]


def _points(table: _Table) -> list[Curve]:
    """What was measured one after another: nothing lies between."""
    return [replace(curve, joined=False) for curve in _lines(table)]


def _loads(table: _Table) -> list[Curve]:
    """Of each load, the share of trials with trouble, with it and without."""
    none = np.zeros(0)
    found = tuple(trouble_by_load(table.columns, table.data))
    return (
        [Curve(table.name, none, none, "", "", "trials with trouble, with and without", "%", bars=found)]
        if found
        else []
    )


def _poses(table: _Table) -> list[Curve]:
    """Two columns are a path in the plane; more are values one after another."""
    if len(table.columns) == 2:
        return [table.curve(1)]
    return [table.curve(y, -1) for y in range(min(len(table.columns), _MOST_LINES))]


_KINDS: Mapping[str, Callable[[_Table], list[Curve]]] = {
    "packets": _packets,
    "latency": _latency,
    "scan": _scan,
    "waveform": _waveform,
    "sweep": _sweep,
    "timeline": _lines,
    "points": _points,
    "edges": _edges,
    "loads": _loads,
    "poses": _poses,
}
