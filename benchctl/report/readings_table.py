"""The readings of a stage as a table: what is measured on two boards, or in two directions, shares a row."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from benchctl.report import words
from benchctl.report.gauge import gauge
from benchctl.report.markup import Markup, el, joined
from benchctl.terms import DIRECTIONS, Limit, Reading, Source, Verdict, readable
from benchctl.units import quantity


@dataclass(slots=True)
class Row:
    """Readings alike but for their subject: same name, unit and limit."""

    name: str
    unit: str
    limit: Limit | None
    what: str = ""
    cells: dict[str, Reading] = field(default_factory=dict)


def rows_of(readings: Iterable[Reading]) -> list[Row]:
    """Rows in the order of their first reading; at most two subjects share one."""
    rows: list[Row] = []
    for r in readings:
        subject, name = r.subject, r.short_name
        home = next((row for row in rows if subject and _shares(row, r, subject, name)), None)
        if home is None:
            home = Row(name, r.unit, r.limit, r.what)
            rows.append(home)
        home.cells[subject] = r
    return rows


def _shares(row: Row, r: Reading, subject: str, name: str) -> bool:
    same = (row.name, row.unit, row.limit) == (name, r.unit, r.limit)
    kin = all((subject in DIRECTIONS) == (s in DIRECTIONS) for s in row.cells)
    return same and "" not in row.cells and subject not in row.cells and len(row.cells) < 2 and kin


def mark(verdict: Verdict) -> str:
    """The class that colours a verdict's sign and word."""
    return f"v-{str(verdict).replace(' ', '-')}"


_HEADS = (
    ("reading", "name"),
    ("value (95 % interval)", "cell"),
    ("", "cell"),
    ("limit", "limit"),
    ("within it", "gauge"),
    ("samples, uncertainty from; remark", "remark"),
)


def readings_table(readings: Iterable[Reading]) -> Markup:
    """The whole table."""
    widths = el("colgroup", *(el("col", class_=kind) for _, kind in _HEADS))  # they hold where the heads are hidden
    heads = el("thead", el("tr", *(el("th", head, class_=kind) for head, kind in _HEADS)))
    rows = rows_of(readings)
    body = el("tbody", *map(_row, rows))
    single = (
        " single" if 4 * sum(len(row.cells) == 1 for row in rows) >= 3 * len(rows) else ""
    )  # half the width is enough on paper
    return el("div", el("table", widths, heads, body, class_=f"readings{single}"), class_="scroll")


def _row(row: Row) -> Markup:
    cells = list(row.cells.items())
    if len(cells) == 1:
        told = [el("td", *_cell(*cells[0]), colspan=2)]
    else:
        told = [el("td", *_cell(subject, r)) for subject, r in cells]
    limit = Reading(row.name, 0.0, row.unit, limit=row.limit)
    return el(
        "tr",
        el("td", row.what, class_="name"),
        *told,
        el("td", words.limit(limit), class_="limit"),
        el("td", gauge([r for _, r in cells]), class_="gauge"),
        el("td", "; ".join(t for t in (_basis(row), _remark(row)) if t), class_="remark"),
    )


def _cell(subject: str, r: Reading) -> list[Markup | str]:
    """ "✓ hand 4.9 V (4.8 … 5.0)"."""
    out: list[Markup | str] = []
    if r.verdict is not None and (r.limit is not None or r.verdict is not Verdict.PASS):
        out.append(el("span", f"{r.verdict.sign} ", class_=mark(r.verdict), title=str(r.verdict)))
    if subject:
        out.append(el("span", f"{_brief(subject)} ", class_="soft"))
    out.append(el("b", words.value(r)))
    if r.interval is not None:
        level = "" if abs(r.interval.level - 0.95) < 1e-9 else f", {100 * r.interval.level:g} %"
        out.append(joined(" ", el("span", f"({words.interval(r)}{level})", class_="tight")))
    return out


def _brief(subject: str) -> str:
    """ "hand"; a direction by where it leads to: "to craft"."""
    return f"to {subject.rpartition('_')[2]}" if subject in DIRECTIONS else readable(subject)


def _basis(row: Row) -> str:
    """How many samples, and where the uncertainty comes from: "2000, counting"."""
    counts = [str(r.n) for r in row.cells.values()]
    told = counts[0] if len(set(counts)) == 1 else " / ".join(counts)
    sources = {words.SOURCES[r.source] for r in row.cells.values() if r.source is not Source.NONE}
    return ", ".join([told, *sorted(sources)]) if told != "1" or sources else ""


def _remark(row: Row) -> str:
    """Notes of the readings, said once where they are the same, and the floor that physics sets."""
    notes = {r.note for r in row.cells.values()}
    apart = [f"{readable(s)}: {r.note}" for s, r in row.cells.items() if r.note]
    told = [notes.pop()] if len(notes) == 1 else apart
    floors = [(r.floor, r.value) for r in row.cells.values() if r.floor is not None and r.measured]
    if floors:
        shares = " / ".join(quantity(max(0.0, value - floor), row.unit, 3) for floor, value in floors)
        least = quantity(min(floor for floor, _ in floors), row.unit)
        told.append(f"physics allows {least}, yours is {shares}")
    return "; ".join(t for t in told if t)
