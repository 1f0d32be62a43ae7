"""One drawing function a kind of table: loss, latency, scan, waveform, sweep, timeline, points, edges, poses, loads."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.spectrum import wifi_span
from benchctl.analysis.telling import nearness, trouble_by_load
from benchctl.analysis.thinning import thinned
from benchctl.runs.summary import Table
from benchctl.terms import Limit, readable
from benchctl.units import quantity, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = npt.NDArray[np.float64]

INK, SOFT, LINE, BAND, FAIL = "#010101", "#020202", "#030303", "#080808", "#090909"
COLOURS = ("#040404", "#050505", "#060606", "#070707")
#: besides colour, so that lines are told apart in grey print
DASHES = ("-", "--", "-.", ":")
#: inches of a drawing; its text is 6 points high there, 5 where a sheet of paper has four of them side by side
WIDE, HIGH = 2.2, 1.12
_MOST_POINTS = 1200
_MOST_MARKS = 400
_MOST_POSES = 24
_LETTERS_A_ROW = 18


def in_rows(name: str) -> str:
    """A name in rows short enough for the edge of a drawing."""
    return "\n".join(textwrap.wrap(name, _LETTERS_A_ROW)) or name


@dataclass(frozen=True, slots=True)
class Series:
    """A table with its data, shape (rows, columns), and the name in the legend."""

    table: Table
    data: Floats
    name: str

    def column(self, name: str) -> Floats | None:
        """A column by name, None where the table has none of it."""
        return self.data[:, self.table.columns.index(name)] if name in self.table.columns else None

    @property
    def lossless(self) -> bool:
        """A table of packets none of which was lost: a flat line says less than the reading does."""
        lost = self.column("lost")
        counted = self.table.shows == "packets" or "sent" in self.table.columns
        return counted and lost is not None and not (lost > 0).any()

    def limit(self, index: int) -> Limit | None:
        """What a column must satisfy."""
        return self.table.picture.limits.get(self.table.columns[index])

    @property
    def telling(self) -> float:
        """How near its values come to a limit, 0 where there is none."""
        known = [(self.data[:, i], limit) for i in range(self.data.shape[1]) if (limit := self.limit(i)) is not None]
        if self.table.shows == "packets":
            known = [(np.append(0.0, 100 * np.nanmean(values)), limit) for values, limit in known]
        return max((nearness(values, limit) for values, limit in known), default=0.0)

    @property
    def tells_nothing(self) -> bool:
        """A drawing of it would say less than its readings do: no packet lost, no trial with trouble, one row, the same
        value all the time."""
        if self.table.shows == "loads":
            return not any(share for _, shares in trouble_by_load(self.table.columns, self.data) for share in shares)
        return self.lossless or (self.table.shows == "timeline" and not self._varies)

    @property
    def _varies(self) -> bool:
        spans = [self.span(j) for j in range(1, self.data.shape[1])]
        return len(self.data) > 1 and any(high > low for low, high in spans)

    def span(self, column: int = 0) -> tuple[float, float]:
        """The least and the greatest of a column, 0 and 0 where nothing was measured."""
        x = self.data[:, column]
        return (float(np.nanmin(x)), float(np.nanmax(x))) if np.isfinite(x).any() else (0.0, 0.0)

    @property
    def length(self) -> float:
        """What the first column spans."""
        first, last = self.span()
        return last - first

    def axis(self, index: int) -> str:
        """The label of a column: "vcc in V"."""
        unit = shown(self.table.units[index])
        column = self.table.columns[index]
        name = "time" if column in ("at", "t") else readable(column)
        return f"{name} in {unit}" if unit else name


def in_seconds(s: Series) -> Series:
    """The same with a first column of microseconds in seconds, where it spans more than a tenth of one."""
    if s.table.units[0] != "us" or s.length < 1e5 or s.table.shows in ("latency", "sweep", "poses"):
        return s
    units = ("s", *s.table.units[1:])
    return Series(replace(s.table, units=units), s.data * np.array([1e-6, *[1.0] * (len(units) - 1)]), s.name)


def _greatest(values: Floats, otherwise: float) -> float:
    """The greatest of what was measured."""
    return float(np.nanmax(values)) if np.isfinite(values).any() else otherwise


def _bounds(axes: Axes, limits: Sequence[tuple[Limit | None, str]]) -> None:
    """What the values must satisfy, across the drawing; the axis is made to span it. limits: with their units."""
    found = {end: unit for limit, unit in limits for end in _ends(limit)}
    low, high = axes.get_ylim()
    if found:
        ends = [bound for _, bound in found]
        room = 0.16 * (max(high, *ends) - min(low, *ends))
        low, high = min(low, *(e - room for e in ends)), max(high, *(e + room for e in ends))
        axes.set_ylim(low, high)
    told: list[float] = []
    for (side, bound), unit in found.items():
        axes.axhline(bound, color=FAIL, linewidth=0.7, linestyle=(0, (4, 2)))
        if all(abs(bound - other) > 0.15 * (high - low) for other in told):
            told.append(bound)
            axes.annotate(
                f"{side} {quantity(bound, unit, 3)}", (1, bound), xycoords=("axes fraction", "data"), ha="right",
                xytext=(0, 1 if side == "max" else -1), textcoords="offset points",
                va="bottom" if side == "max" else "top", fontsize=5.2, color=FAIL,
            )  # fmt: skip


def _ends(limit: Limit | None) -> list[tuple[str, float]]:
    both = (("min", limit.min), ("max", limit.max)) if limit is not None else ()
    return [(side, bound) for side, bound in both if bound is not None]


def _bounds_across(axes: Axes, limit: Limit | None, unit: str) -> None:
    """The same of a horizontal axis; a limit far from all values is told beside the edge that it lies beyond."""
    low, high = axes.get_xlim()
    for side, bound in _ends(limit):
        text, above = f"{side} {quantity(bound, unit, 3)}", bound > high
        if low - 2 * (high - low) <= bound <= high + 2 * (high - low):
            axes.axvline(bound, color=FAIL, linewidth=0.7, linestyle=(0, (4, 2)))
        else:
            text = f"{text} →" if above else f"← {text}"
        axes.annotate(
            text, (1.0 if above else 0.0, 1.0), xycoords="axes fraction", ha="right" if above else "left", va="top",
            fontsize=5.2, color=FAIL,
        )  # fmt: skip


def _legend(axes: Axes, wanted: bool) -> None:
    """Above the drawing, where it hides nothing."""
    labels = axes.get_legend_handles_labels()[1]
    if wanted and labels:
        longest = max(map(len, labels))
        columns = 4 if longest < 6 else 2 if longest < _LETTERS_A_ROW else 1
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(-0.1, 0.97),
            ncols=columns,
            handlelength=1.1,
            borderpad=0.1,
            columnspacing=0.7,
        )


def _style(i: int) -> dict[str, Any]:
    return {"color": COLOURS[i % len(COLOURS)], "linestyle": DASHES[i % len(DASHES)]}


def _packets(figure: Figure, series: Sequence[Series]) -> None:
    """Share of lost packets in stretches of time, with exact intervals while there is one series."""
    axes = figure.subplots()
    top = 0.0
    for i, s in enumerate(series):
        lost = s.column("lost")
        if lost is None:
            continue
        x, counts, sums = _binned(s.data[:, 0], lost > 0)
        share = 100 * sums / counts
        axes.step(x, share, where="mid", label=s.name, **_style(i))
        top = max(top, float(share.max(initial=0)))
        if len(series) == 1:
            spans = [clopper_pearson(int(k), int(n)) for k, n in zip(sums, counts, strict=True)]
            low, high = ([100 * getattr(v, end) for v in spans] for end in ("low", "high"))
            axes.fill_between(x, low, high, step="mid", color=BAND, linewidth=0, label="95 % interval")
            top = max(top, *high)
    axes.set(xlabel=series[0].axis(0), ylabel="lost in %", ylim=(0, max(1.0, 1.1 * top)))
    _bounds(axes, [(s.table.picture.limits.get("lost"), "%") for s in series])
    _legend(axes, len(series) > 1)


def _binned(x: Floats, lost: npt.NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Middles of up to 40 stretches of time, packets in each, lost packets in each; empty ones left out."""
    edges = np.linspace(x.min(), max(x.max(), x.min() + 1e-9), min(40, max(4, len(x) // 50)) + 1)
    counts = np.histogram(x, edges)[0].astype(np.float64)
    sums = np.histogram(x, edges, weights=lost.astype(np.float64))[0]
    some = counts > 0
    return ((edges[:-1] + edges[1:]) / 2)[some], counts[some], sums[some]


def _latency(figure: Figure, series: Sequence[Series]) -> None:
    """Histogram on a logarithmic count axis: outliers stay visible."""
    axes = figure.subplots()
    columns = [s.data[:, -1][np.isfinite(s.data[:, -1])] for s in series]
    pooled = np.concatenate(columns)
    if not len(pooled):
        return
    low, high = float(pooled.min()), float(pooled.max())
    edges = np.linspace(low, high if high > low else low + 1, 41)
    for i, (s, values) in enumerate(zip(series, columns, strict=True)):
        if not len(values):
            continue
        median = float(np.median(values))
        axes.hist(values, edges.tolist(), histtype="step", label=s.name, **_style(i))
        axes.axvline(median, linewidth=0.7, **_style(i))
    axes.set(xlabel=series[0].axis(-1), ylabel="how often", yscale="log", ylim=(0.7, None))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter("")
    _bounds_across(axes, series[0].limit(-1), series[0].table.units[-1])
    _legend(axes, len(series) > 1)


def _scan(figure: Figure, series: Sequence[Series]) -> None:
    """Share of busy listens per channel, the three usual Wi-Fi channels drawn in."""
    axes = figure.subplots()
    top = 5.0
    for i, s in enumerate(series):
        busy, samples = s.data[:, 1], s.column("samples")
        share = 100 * busy / np.maximum(samples, 1) if samples is not None else busy
        axes.step(s.data[:, 0], share, where="mid", label=s.name, **_style(i))
        top = max(top, _greatest(share, top))
    for wifi in (1, 6, 11):
        first, last = wifi_span(wifi)
        axes.axvspan(first, last, color=BAND, linewidth=0)
        axes.text((first + last) / 2, 1.16 * top, f"Wi-Fi {wifi}", ha="center", va="top", fontsize=5.8)
    axes.set(xlabel="channel (2400 MHz + channel)", ylabel="busy in %", ylim=(0, 1.2 * top), xlim=(-1, 126))
    _legend(axes, len(series) > 1)


def _waveform(figure: Figure, series: Sequence[Series]) -> None:
    axes = figure.subplots()
    for i, s in enumerate(series):
        order = np.argsort(s.data[:, 0], kind="stable")
        for j in range(1, s.data.shape[1]):
            column = readable(s.table.columns[j])
            label = s.name if s.data.shape[1] == 2 else f"{s.name} {column}".strip()
            axes.plot(*thinned(s.data[order, 0], s.data[order, j], _MOST_POINTS), label=label, **_style(i + j - 1))
    axes.set(xlabel=series[0].axis(0), ylabel=in_rows(_shared_label(series[0])))
    _bounds(axes, [(s.limit(1), s.table.units[1]) for s in series])
    _legend(axes, len(series) > 1 or series[0].data.shape[1] > 2)


def _shared_label(s: Series) -> str:
    """The label of the y axis of several columns: the name of a single one, else the unit they share."""
    if len(s.table.columns) == 2:
        return s.axis(1)
    units = {shown(u) for u in s.table.units[1:]}
    return f"in {units.pop()}" if len(units) == 1 else ""


def _sweep(figure: Figure, series: Sequence[Series]) -> None:
    """Delivered against commanded, upward and downward passes apart; below, what a straight line leaves."""
    figure.set_size_inches(WIDE, 1.35 * HIGH)
    upper, lower = figure.subplots(2, sharex=True, height_ratios=(2, 1))
    for i, s in enumerate(series):
        rows = s.data[np.isfinite(s.data[:, :2]).all(axis=1)]
        if len(rows) < 2:
            continue
        x, y = rows[:, 0], rows[:, 1]
        line = np.polynomial.Polynomial.fit(x, y, 1) if np.ptp(x) > 0 else np.polynomial.Polynomial([y.mean()])
        told = rows[:, s.table.columns.index("rising")] > 0 if "rising" in s.table.columns else None
        upward, thin = np.gradient(x) >= 0 if told is None else told, math.ceil(len(x) / _MOST_MARKS)
        for mark, part, way in (("^", upward, "up"), ("v", ~upward, "down")):
            look: dict[str, Any] = {"color": COLOURS[i % 4], "marker": mark, "markersize": 2.2, "linestyle": ""}
            label = f"{s.name}, {way}" if len(series) > 1 and s.name else way
            upper.plot(x[part][::thin], y[part][::thin], label=label, **look)
            lower.plot(x[part][::thin], (y - line(x))[part][::thin], **look)
    upper.set(ylabel=in_rows(series[0].axis(1)))
    lower.set(xlabel=series[0].axis(0), ylabel="off line")
    _legend(upper, True)


def _timeline(figure: Figure, series: Sequence[Series]) -> None:
    """One strip a column, all over the same time; several tables of one column share a strip."""
    _strips(figure, series)


def _points(figure: Figure, series: Sequence[Series]) -> None:
    """The same of what was measured one after another: dots, since nothing lies between them."""
    _strips(figure, series, joined=False)


def _strips(figure: Figure, series: Sequence[Series], *, joined: bool = True) -> None:
    s, mark, most = series[0], "" if joined else ".", _MOST_POINTS if joined else _MOST_MARKS
    if s.data.shape[1] == 2:
        axes = figure.subplots()
        for i, one in enumerate(series):
            look = _style(i) if joined else {"color": COLOURS[i % 4], "linestyle": ""}
            x, y = thinned(one.data[:, 0], one.data[:, 1], most)
            axes.plot(x, y, marker=mark or "." if len(series) > 1 else mark, markersize=3, label=one.name, **look)
        axes.set(xlabel=s.axis(0), ylabel=in_rows(s.axis(1)))
        _bounds(axes, [(one.limit(1), one.table.units[1]) for one in series])
        _legend(axes, len(series) > 1)
        return
    count = max(1, s.data.shape[1] - 1)
    figure.set_size_inches(WIDE, max(HIGH, 0.35 + 0.37 * count))
    strips = np.atleast_1d(figure.subplots(count, sharex=True))
    for j, axes in enumerate(strips, 1):
        if j < s.data.shape[1]:
            x, y = thinned(s.data[:, 0], s.data[:, j], most)
            axes.plot(x, y, color=COLOURS[(j - 1) % 4], marker=mark, markersize=3, linewidth=1.1 if joined else 0.4)
            axes.set_ylabel(s.axis(j).replace(" in ", "\nin "), rotation=0, ha="right", va="center")
            _bounds(axes, [(s.limit(j), s.table.units[j])])
    strips[-1].set_xlabel(s.axis(0))


def _edges(figure: Figure, series: Sequence[Series]) -> None:
    """Levels over time, one lane a table; tables without a level column are drawn as ticks."""
    axes = figure.subplots()
    for i, s in enumerate(series):
        x, level = s.data[:, 0], s.column("level")
        if level is None and s.data.shape[1] > 1:
            level = s.data[:, 1]
        if level is None:
            axes.vlines(x[:_MOST_POINTS], i + 0.1, i + 0.8, color=COLOURS[i % 4], linewidth=0.8)
        else:
            height = _greatest(np.abs(level), 1.0) or 1.0
            axes.step(x, i + 0.1 + 0.7 * level / height, where="post", **_style(i))
    axes.set(xlabel=series[0].axis(0), yticks=[i + 0.45 for i in range(len(series))], ylim=(0, len(series)))
    axes.set_yticklabels([in_rows(s.name) for s in series])


def _poses(figure: Figure, series: Sequence[Series]) -> None:
    """The readings of each pose as bars, axes side by side; two quantities of very many poses as a track."""
    s = series[0]
    first = 1 if s.table.columns[0] in ("pose", "at", "t") else 0
    columns = s.data.shape[1] - first
    if columns == 2 and len(s.data) > _MOST_POSES:
        _track(figure, s, first)
    else:
        _bars(figure, s, first)


def _bars(figure: Figure, s: Series, first: int) -> None:
    axes = figure.subplots()
    rows, columns = s.data[:_MOST_POSES], s.data.shape[1] - first
    width = 0.8 / max(1, columns)
    for j in range(columns):
        x = np.arange(len(rows)) + (j - (columns - 1) / 2) * width
        axes.bar(x, rows[:, first + j], width, color=COLOURS[j % 4], label=readable(s.table.columns[first + j]))
    units = {shown(u) for u in s.table.units[first:]}
    axes.set(xlabel="pose", ylabel=f"in {units.pop()}" if len(units) == 1 else "", xticks=range(len(rows)))
    axes.set_xticklabels([str(i + 1) for i in range(len(rows))])
    _legend(axes, True)


def _track(figure: Figure, s: Series, first: int) -> None:
    """Two quantities against each other, point by point: where a stick has been."""
    axes = figure.subplots()
    rows = s.data[:: math.ceil(len(s.data) / _MOST_MARKS)]
    axes.plot(rows[:, first], rows[:, first + 1], ".", markersize=2, color=COLOURS[0])
    axes.set(xlabel=s.axis(first), ylabel=s.axis(first + 1))


def _loads(figure: Figure, series: Sequence[Series]) -> None:
    """Of the trials with a load on and of those with it off, how many had trouble: a restart, settings lost."""
    s = series[0]
    axes = figure.subplots()
    found = trouble_by_load(s.table.columns, s.data)
    for j, (way, look) in enumerate((("with it", COLOURS[1]), ("without", COLOURS[0]))):
        y = np.arange(len(found)) + (0.2 if j else -0.2)
        axes.barh(y, [shares[j] for _, shares in found], 0.38, color=look, label=way)
    axes.set(xlabel="trials with trouble in %", yticks=range(len(found)), xlim=(0, 100))
    axes.set_yticklabels([in_rows(name) for name, _ in found])
    axes.invert_yaxis()
    _legend(axes, True)


Drawer = Callable[["Figure", Sequence[Series]], None]

#: "" is what is drawn for a kind of table that is not listed
DRAWERS: Mapping[str, Drawer] = {
    "packets": _packets,
    "latency": _latency,
    "scan": _scan,
    "waveform": _waveform,
    "sweep": _sweep,
    "timeline": _timeline,
    "points": _points,
    "edges": _edges,
    "poses": _poses,
    "loads": _loads,
    "": _waveform,
}
