"""Plots of a stage's tables as inline SVG. Colours are style-sheet variables, so that they follow the page's.

Tables of one stage that show the same thing in the same columns share a plot. The plotting library is imported
when the first plot is drawn.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from benchctl.report import words
from benchctl.report.drawings import DRAWERS, HIGH, WIDE, Series, in_seconds
from benchctl.runs.summary import StageSummary, Table
from benchctl.terms import readable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = npt.NDArray[np.float64]
Loader = Callable[[Table], Floats]

#: stand-in colours given to the library, and the variables that they become on the page
INKS = {
    "#010101": "var(--ink)",
    "#020202": "var(--soft)",
    "#030303": "var(--line)",
    "#040404": "var(--s1)",
    "#050505": "var(--s2)",
    "#060606": "var(--s3)",
    "#070707": "var(--s4)",
    "#080808": "var(--band)",
    "#090909": "var(--fail)",
}
_MOST_SERIES = 4

_STYLE: dict[str, Any] = {
    "text.parse_math": False,  # a "$" in a label is a "$"
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 6.3,
    "axes.linewidth": 0.6,
    "axes.edgecolor": "#020202",
    "axes.labelcolor": "#010101",
    "text.color": "#010101",
    "xtick.color": "#020202",
    "ytick.color": "#020202",
    "xtick.labelcolor": "#010101",
    "ytick.labelcolor": "#010101",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#030303",
    "grid.linewidth": 0.5,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "legend.frameon": False,
    "legend.fontsize": 5.8,
    "lines.linewidth": 1.1,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
}


@dataclass(frozen=True, slots=True)
class Plot:
    """caption: what it shows. svg: markup, safe to put into a page."""

    caption: str
    svg: str


def plots(stage: StageSummary, load: Loader) -> list[Plot]:
    """Every plot of a stage, what comes nearest to its limit first; none of what a reading says as well."""
    groups = [g for g in _groups(stage.tables.values(), load) if not all(s.tells_nothing for s in g)]
    groups.sort(key=lambda g: -max(s.telling for s in g))
    return [_plot(g, f"{stage.name}-{i}") for i, g in enumerate(groups)]


def _plot(group: list[Series], key: str) -> Plot:
    drawn, left = group[:_MOST_SERIES], len(group) - _MOST_SERIES
    more = f" ({words.many(left, 'more table')} of this kind not drawn)" if left > 0 else ""
    return Plot(f"{_title(drawn)}{more}", _draw(drawn, key))


def _title(drawn: Sequence[Series]) -> str:
    """What the plot shows, and of which board where it is one's only."""
    first = drawn[0].table
    if first.picture.title:
        of = readable(first.picture.of) if len(drawn) == 1 else ""
        return f"{first.picture.title}{f', {of}' if of else ''}"
    return words.names([readable(s.table.name) for s in drawn])


def _groups(tables: Iterable[Table], load: Loader) -> list[list[Series]]:
    """Tables that share a plot: same title, kind and columns, and x spans within a factor of three."""
    groups: list[list[Series]] = []
    for table in tables:
        data = load(table)
        if not len(data):
            continue
        name = readable(table.picture.of or ("" if table.picture.title else table.name))
        series = in_seconds(Series(table, np.where(np.isfinite(data), data, np.nan), name))
        home = next((g for g in groups if _alike(g[0], series)), None)
        if home is None:
            groups.append([series])
        else:
            home.append(series)
    return groups


def _alike(a: Series, b: Series) -> bool:
    same = (a.table.shows, a.table.columns, a.table.picture.title)
    if same != (b.table.shows, b.table.columns, b.table.picture.title) or a.table.shows == "loads":
        return False
    if a.table.shows in ("timeline", "points"):
        return len(a.table.columns) == 2
    x, y = a.length, b.length
    return a.table.shows != "waveform" or (x <= 3 * y and y <= 3 * x and _meet(a.span(1), b.span(1)))


def _meet(a: tuple[float, float], b: tuple[float, float]) -> bool:
    """Spans so near that both can be read off one axis: what lies between them is no more than what they span."""
    gap = max(a[0], b[0]) - min(a[1], b[1])
    return gap <= 2 * max(a[1] - a[0], b[1] - b[0])


def laid_over(name: str, unit: str, runs: Sequence[tuple[str, Floats]], key: str) -> str:
    """Histograms of several runs' values, each shape (n,), in one plot, as SVG. key: unlike any other on the page."""
    table = Table("", name, "latency", (name,), (unit,))
    return _draw([Series(table, values[:, None], called) for called, values in runs], key)


def _draw(series: Sequence[Series], key: str) -> str:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    draw = DRAWERS.get(series[0].table.shows, DRAWERS[""])
    style: dict[Any, Any] = {**_STYLE, "svg.hashsalt": key}
    with mpl.rc_context(style), warnings.catch_warnings():
        # labels longer than the drawing: drawn over its edge rather than not at all
        warnings.filterwarnings("ignore", "constrained_layout not applied", UserWarning)
        figure = Figure(figsize=(WIDE, HIGH), layout="constrained")
        draw(figure, series)
        return _inline(figure, key)


def _inline(figure: Figure, key: str) -> str:
    """The figure as an <svg> element: no header, its identifiers its own, its colours variables."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    mark = re.sub(r"[^a-z0-9]", "-", key.lower())
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{mark}-\1"', svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{mark}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{mark}-\1)", svg)
    for ink, variable in INKS.items():
        svg = svg.replace(ink, variable)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return re.sub(r'(<svg[^>]*?) width="[^"]*"', r'\1 role="img"', svg, count=1)
