"""A comparison as one self-contained HTML page, and as JUnit XML: a case per reading."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence

from benchctl.analysis.equivalence import Outcome
from benchctl.compare import Comparison, Row, as_shares, undecided_why
from benchctl.report import words
from benchctl.report.as_html import page_head
from benchctl.report.as_junit import allowed, moment
from benchctl.report.markup import Markup, el, joined
from benchctl.report.overlay import Overlay
from benchctl.report.plots import laid_over
from benchctl.report.readings_table import mark
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict, readable
from benchctl.units import quantity

SIGNS = {Outcome.SAME: "=", Outcome.BETTER: "+", Outcome.WORSE: "✗", Outcome.UNDECIDED: "?", None: "·"}
_MARKS = {Outcome.SAME: Verdict.PASS, Outcome.BETTER: Verdict.PASS, Outcome.WORSE: Verdict.FAIL}


def html(c: Comparison, overlays: Sequence[Overlay]) -> str:
    """The whole page: what is not alike, a row per reading, the distributions over each other."""
    head = page_head(f"{c.verdict}: {c.new} against {c.reference}")
    told = joined(
        el("div", c.verdict, class_="word"),
        el("h1", counts(c)),
        el("p", f"New run {c.new}, {c.sides[1]}"),
        el("p", f"Reference {c.reference}, {c.sides[0]}", class_="soft"),
    )
    top = el("header", el("div", c.verdict.sign, class_="sign"), el("div", told), class_=f"top {mark(c.verdict)}")
    body = joined(top, *(el("p", n, class_="notice") for n in unlike(c)), _table(c), _figures(overlays))
    return f"<!doctype html>\n{el('html', el('head', head), el('body', body), lang='en')}\n"


def counts(c: Comparison) -> str:
    return ", ".join(f"{len(c.having(o))} {o}" for o in Outcome) + f", of {words.many(len(c.rows), 'reading')}"


def unlike(c: Comparison) -> list[str]:
    """What else differs, in sentences."""
    out = [words.sentence(d) for d in c.differences]
    return [*(words.sentence(t) for t in c.ended()), *out, *(words.sentence(t) for t in c.gone())]


#: in the order in which they matter; what is the same is folded
_ORDER = (
    (Outcome.WORSE, "Worse"),
    (Outcome.BETTER, "Better"),
    (Outcome.UNDECIDED, "Undecided"),
    (Outcome.SAME, "The same"),
    (None, "For information"),
)


def grouped(c: Comparison) -> list[tuple[str, list[Row]]]:
    """The rows by outcome, what matters most first; empty groups left out."""
    found = ((title, [r for r in c.rows if r.outcome is outcome]) for outcome, title in _ORDER)
    return [(title, rows) for title, rows in found if rows]


def _table(c: Comparison) -> Markup:
    heads = el("tr", *(el("th", h) for h in ("stage", "reading", "reference", "new", "margin", "")))
    parts = []
    for title, rows in grouped(c):
        body = el("tbody", *(_row(c, r) for r in rows))
        table = el("div", el("table", el("thead", heads), body), class_="scroll")
        told = f"{title}: {words.many(len(rows), 'reading')}"
        folded = title in ("The same", "For information")
        parts.append(el("details", el("summary", told), table) if folded else joined(el("h2", told), table))
    return el("section", *parts)


def _row(c: Comparison, r: Row) -> Markup:
    margin = quantity(shown_margin(r), r.new.unit, 3) if r.evidence else "for information"
    verdict = _MARKS.get(r.outcome, Verdict.UNDECIDED) if r.outcome else Verdict.NOT_RUN
    cells = [el("td", t) for t in (c.title(r.stage), r.new.called, _value(r, 0), _value(r, 1), margin)]
    return el(
        "tr",
        *cells,
        el(
            "td",
            f"{SIGNS[r.outcome]} {r.outcome or ''}",
            el("div", undecided_why(r, c.alpha), class_="soft"),
            class_=mark(verdict),
        ),
    )


def shown_margin(r: Row) -> float:
    """The margin in the reading's unit; shares are compared as such."""
    assert r.evidence is not None
    return r.evidence.margin * (100.0 if as_shares(r.reference, r.new) else 1.0)


def _value(r: Row, side: int) -> str:
    reading = (r.reference, r.new)[side]
    return f"{reading.text()}, n {reading.n}" if reading.n else reading.text()


def _figures(overlays: Sequence[Overlay]) -> Markup | None:
    if not overlays:
        return None
    figures = []
    for i, o in enumerate(overlays):
        named = [(f"{run}, n {len(values)}", values) for run, values in zip(("reference", "new"), o.both, strict=True)]
        of = words.names([readable(r) for r in o.readings])
        caption = el("figcaption", el("b", readable(o.stage)), f": {of}")
        figures.append(el("figure", caption, Markup(laid_over(o.name, o.unit, named, f"over-{i}"))))
    return el("section", el("h2", "Distributions, both runs"), el("div", *figures, class_="plots"))


def junit(c: Comparison, new: Summary) -> str:
    """The schema of `as_junit`; new: the last of the new runs.

    failure: worse; error: undecided, or missing in the new run; readings that only inform are no cases."""
    cases = [_case(c, r) for r in c.rows if r.outcome is not None]
    cases += [_missing(c, m) for m in c.missing]
    cases += [_ended(c, s, old, now) for s, old, now in c.verdicts if old is Verdict.PASS]
    about = {
        "name": allowed(f"{c.new} against {c.reference}"),
        "package": "benchctl",
        "id": "0",
        "timestamp": moment(new.wall),
        "hostname": allowed(new.bench or "unknown"),
        "time": "0.000",
        "tests": str(len(cases)),
        "failures": str(_having(cases, "failure")),
        "errors": str(_having(cases, "error")),
        "skipped": "0",
    }
    root = ET.Element("testsuites")
    suite = ET.SubElement(root, "testsuite", about)
    properties = ET.SubElement(suite, "properties")
    for name, value in [("reference", c.reference), ("run", c.new), *words.origin(new)]:
        ET.SubElement(properties, "property", name=allowed(name), value=allowed(value))
    suite.extend(cases)
    ET.SubElement(suite, "system-out").text = allowed("\n".join([*unlike(c), counts(c)]))
    ET.SubElement(suite, "system-err").text = ""
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _having(cases: Sequence[ET.Element], kind: str) -> int:
    return sum(case.find(kind) is not None for case in cases)


def _element(c: Comparison, stage: str, name: str) -> ET.Element:
    return ET.Element("testcase", name=allowed(name), classname=allowed(f"comparison.{stage}"), time="0.000")


def _case(c: Comparison, r: Row) -> ET.Element:
    case = _element(c, r.stage, r.new.name)
    kind = {Outcome.WORSE: "failure", Outcome.UNDECIDED: "error"}.get(r.outcome) if r.outcome else None
    if kind is not None:
        margin = quantity(shown_margin(r), r.new.unit, 3)
        said = f"{r.outcome}: {r.reference.text()} before, {r.new.text()} now, margin {margin}"
        ET.SubElement(case, kind, type=str(r.outcome), message=allowed(said)).text = allowed(said)
    return case


def _missing(c: Comparison, name: str) -> ET.Element:
    stage, _, reading = name.partition(".")
    case = _element(c, stage, reading)
    ET.SubElement(case, "error", type="missing", message="measured in the reference only")
    return case


def _ended(c: Comparison, stage: str, old: Verdict | None, now: Verdict | None) -> ET.Element:
    case = _element(c, stage, "verdict")
    kind = "failure" if now is Verdict.FAIL else "error"
    ET.SubElement(case, kind, type=str(now), message=f"was {old}, now {now or 'not there'}")
    return case
