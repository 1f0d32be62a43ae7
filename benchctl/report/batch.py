"""A batch of boards as one page: the yield in words, a line a board, and each key figure over all runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from benchctl.report import words
from benchctl.report.as_html import page_head
from benchctl.report.key_figures import KeyFigure, key_figures
from benchctl.report.markup import Markup, el, joined
from benchctl.report.readings_table import mark
from benchctl.runs.history import BoardHistory, boards, first_pass_yield, frequent
from benchctl.runs.index import RunRow
from benchctl.runs.log import read
from benchctl.runs.summary import summarise

_WIDE, _HIGH = 300.0, 60.0
#: of these more is better
_MORE = frozenset(("supply margin",))


def sentences(rows: Sequence[RunRow], kept: Sequence[BoardHistory]) -> list[str]:
    """The batch in words: "First-pass yield 7 of 8 boards.", what failed most, the likeliest causes. kept: boards."""
    got = first_pass_yield(kept)
    stages, causes = frequent(rows)
    out = ["No board has been judged yet."]
    if got.share is not None:
        low, high = 100 * got.interval.low, 100 * got.interval.high
        out = [f"First-pass yield {got.passed} of {words.many(got.boards, 'board')} ({low:.0f} to {high:.0f} %)."]
    for told, counted in (("What failed most", stages), ("Likeliest causes", causes)):
        if counted:
            most = [f"{name} ({words.many(n, 'time')})" for name, n in counted[:3]]
            out.append(f"{told}: {words.names(most)}.")
    return out


def ranks(figures: Mapping[str, Sequence[KeyFigure]]) -> dict[str, dict[str, str]]:
    """Of boards' latest key figures, where each stands: label, then title, to "3rd best of 12"."""
    out: dict[str, dict[str, str]] = {label: {} for label in figures}
    for title in {f.title for found in figures.values() for f in found}:
        known = [(label, f.reading.value) for label, found in figures.items() for f in found
                 if f.title == title and f.reading is not None]  # fmt: skip
        for label, value in known:
            better = sum(v > value if title in _MORE else v < value for _, v in known)
            out[label][title] = f"{_ordinal(better + 1)} best of {len(known)}" if better else f"best of {len(known)}"
    return out


def _ordinal(n: int) -> str:
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def page(root: Path, rows: Sequence[RunRow], simulated: bool) -> str:
    """The page of runs of real boards, or of rehearsals: never of both. Raises UsageError when one cannot be read."""
    kept = [r for r in rows if r.simulated is simulated]
    figures = {row.name: key_figures(summarise(read(root / row.name).events)) for row in kept}
    histories = boards(kept)
    placed = ranks({h.label: figures[h.latest.name] for h in histories})
    told = (el("p", text) for text in sentences(kept, histories))
    notice = el("p", words.NOTHING_REAL, class_="notice") if simulated else None
    heads = el("tr", *(el("th", t) for t in ("board", "latest", "runs", "likeliest cause", *_titles(figures))))
    lines = (_line(h, figures[h.latest.name], placed[h.label]) for h in histories)
    body = joined(
        el("h1", "Batch"), notice, *told,
        el("div", el("table", el("thead", heads), el("tbody", *lines)), class_="scroll"),
        el("h2", "Key figures over all runs, earliest first"),
        el("div", *(_trend(title, kept, figures) for title in _titles(figures)), class_="plots"),
    )  # fmt: skip
    return f"<!doctype html>\n{el('html', el('head', page_head('Batch')), el('body', body), lang='en')}\n"


def _titles(figures: Mapping[str, Sequence[KeyFigure]]) -> list[str]:
    return list(dict.fromkeys(f.title for found in figures.values() for f in found))


def _line(h: BoardHistory, figures: Sequence[KeyFigure], placed: Mapping[str, str]) -> Markup:
    v = h.latest.verdict
    cells = [
        el("td", el("b", h.label)),
        el("td", f"{v.sign} {v}", class_=mark(v)),
        el("td", f"{len(h.runs)}, {'passed' if h.first_passed else 'did not pass'} at first"),
        el("td", h.causes[0][0] if h.causes else ""),
    ]
    for f in figures:
        r = f.reading
        tone = mark(r.verdict) if r is not None and r.limit is not None and r.verdict is not None else "soft"
        cells.append(el("td", el("span", f.value, class_=tone), el("div", placed.get(f.title, ""), class_="soft")))
    return el("tr", *cells)


def _trend(title: str, rows: Sequence[RunRow], figures: Mapping[str, Sequence[KeyFigure]]) -> Markup:
    """A dot a run, and the limits as lines."""
    ordered = sorted(rows, key=lambda r: (r.wall, r.name))
    found = [f.reading for row in ordered for f in figures[row.name] if f.title == title and f.reading is not None]
    limits = [b for r in found[-1:] if r.limit for b in (r.limit.min, r.limit.max) if b is not None]
    points = [r.value for r in found]
    low, high = min([*points, *limits], default=0.0), max([*points, *limits], default=1.0)
    span = (high - low) or 1.0
    parts = [
        el(
            "line",
            x1=0,
            x2=_WIDE,
            y1=_y(b, low, span),
            y2=_y(b, low, span),
            stroke="var(--fail)",
            stroke_dasharray="4 3",
        )
        for b in limits
    ]
    for i, r in enumerate(found):
        colour = (
            f"var(--{r.verdict})" if r.verdict is not None and str(r.verdict) in ("pass", "fail") else "var(--soft)"
        )
        x = 6 + (_WIDE - 12) * (i / max(1, len(found) - 1))
        parts.append(el("circle", cx=round(x, 1), cy=_y(r.value, low, span), r=3, fill=colour))
    limit = words.limit(found[-1]) if found else ""
    caption = el(
        "figcaption", el("b", title), f": {words.many(len(found), 'run')}{f', limit {limit}' if limit else ''}"
    )
    return el("figure", caption, el("svg", *parts, viewBox=f"0 0 {_WIDE:g} {_HIGH:g}"))


def _y(value: float, low: float, span: float) -> float:
    return round(_HIGH - 6 - (_HIGH - 12) * (value - low) / span, 1)
