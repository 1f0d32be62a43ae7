"""One page for the folder of a pair: what was tested, the key figures, room for serial number and signature.

It prints to one sheet of A4 or letter from any browser.
"""

from __future__ import annotations

from benchctl.report import words
from benchctl.report.as_html import page_head
from benchctl.report.key_figures import strip
from benchctl.report.markup import Markup, el, joined
from benchctl.report.readings_table import mark
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict, readable

#: over the report's own style; a margin that fits letter (279 mm high) as well as A4
_STYLE = """
body{max-width:760px}.blank{border-bottom:1px solid var(--ink);height:30px}
.blanks{display:grid;grid-template-columns:1fr 1fr;gap:10px 26px;margin:14px 0}
.blanks .soft{font-size:12px}.done{columns:2;padding:0;list-style:none}.done li{padding:2px 0;break-inside:avoid}
@page{size:auto;margin:14mm}
@media print{body{font-size:10pt}h1{font-size:18pt}h2{font-size:11pt;margin:10pt 0 3pt}section{break-inside:avoid}
 .top{padding:8pt 12pt}.top .word,.top p{font-size:10pt}.key{font-size:8pt}.key .number{font-size:13pt}
 .card div{font-size:9pt}.card div.label{font-size:12pt}.done{font-size:9pt}dl.facts{font-size:8pt}}
"""


def certificate(s: Summary) -> str:
    """The page. A rehearsal and a run that did not pass say so as large as a pass."""
    verdict = s.outcome or Verdict.UNDECIDED
    labels = words.names([b.label for b in s.boards.values() if b.label])
    banner = el(
        "header",
        el("div", verdict.sign, class_="sign"),
        el("div", el("div", verdict, class_="word"), el("h1", labels or "No board was seen"), el("p", words.when(s))),
        class_=f"top {mark(verdict)}",
    )
    body = joined(
        el("p", "Test certificate", class_="soft"),
        banner,
        el("p", words.NOTHING_REAL, class_="notice") if s.simulated else None,
        *(el("p", told, class_="notice") for told in words.interruptions(s)),
        strip(s),
        _blanks(),
        _boards(s),
        _stages(s),
        _origin(s),
    )
    head = joined(page_head(f"Certificate: {labels} {s.run}"), el("style", Markup(_STYLE)))
    return f"<!doctype html>\n{el('html', el('head', head), el('body', body), lang='en')}\n"


def _blanks() -> Markup:
    lines = ("Serial number of the pair", "Date", "Tested by", "Signature")
    return el(
        "div", *(el("div", el("div", class_="blank"), el("div", t, class_="soft")) for t in lines), class_="blanks"
    )


def _boards(s: Summary) -> Markup | None:
    cards = [
        el("div", el("div", b.role, class_="role"), el("div", b.label, class_="label"), el("div", words.image(b)),
           class_="card")
        for b in s.boards.values() if b.seen
    ]  # fmt: skip
    return el("section", el("h2", "Boards"), el("div", *cards, class_="cards")) if cards else None


def _stages(s: Summary) -> Markup | None:
    rows = [
        el("li", el("span", f"{v.sign} ", class_=mark(v)), stage.title or readable(stage.name), f": {v}")
        for stage in s.stages.values()
        for v in (words.stage_verdict(stage),)
    ]
    return el("section", el("h2", "What was tested"), el("ul", *rows, class_="done")) if rows else None


def _origin(s: Summary) -> Markup:
    rows = (("run", s.run), ("procedure", f"{s.procedure}, sha256 {s.procedure_sha256[:16]}…"),
            ("bench", f"{s.bench}, sha256 {s.bench_sha256[:16]}…"), ("benchctl", s.version))  # fmt: skip
    told = (joined(el("dt", name), el("dd", value)) for name, value in rows)
    what = "It says how these boards did on that day on that bench, with these images; it is no permission to operate."
    return el("section", el("h2", "From which run"), el("dl", *told, class_="facts"), el("p", what, class_="note"))
