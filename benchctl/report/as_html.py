"""The report as one self-contained HTML page that prints to a few sheets of A4. No script, nothing loaded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from benchctl import events as ev
from benchctl.report import words
from benchctl.report.key_figures import strip
from benchctl.report.markup import Markup, el, joined, text
from benchctl.report.plots import Loader, Plot, plots
from benchctl.report.readings_table import mark, readings_table
from benchctl.report.style import STYLE
from benchctl.runs.summary import BoardSummary, LivePeriod, StageSummary, Summary
from benchctl.runs.tables import Tables
from benchctl.safety.cautions import CAUTIONS
from benchctl.terms import Verdict, readable
from benchctl.units import number


def render(s: Summary, folder: Path | None = None) -> str:
    """The whole page. folder: the run's, for the plots; without it there are none."""
    return page(s, Tables(folder) if folder is not None else None)


def page_head(title: str) -> Markup:
    """What stands in the head of every page of ours: it loads nothing from anywhere."""
    return joined(
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", http_equiv="Content-Security-Policy", content="default-src 'none'; style-src 'unsafe-inline'"),
        el("title", title),
        el("style", Markup(STYLE)),
    )


def page(s: Summary, load: Loader | None) -> str:
    """The whole page; load: gives a table's rows."""
    verdict = s.outcome or Verdict.UNDECIDED
    head = page_head(f"{verdict}: {s.procedure} {s.run}")
    body = joined(
        _top(s, verdict),
        strip(s),
        _overview(s),
        _findings(s),
        _boards(s),
        _stages(s, load),
        _outputs(s),
        _untested(s),
        el("div", _cautions(), _origin(s), class_="tail"),
    )
    return f"<!doctype html>\n{el('html', el('head', head), el('body', body), lang='en')}\n"


def _section(title: str, *content: object) -> Markup:
    return el("section", el("h2", title), *content)


def _top(s: Summary, verdict: Verdict) -> Markup:
    labels = words.names([b.label for b in s.boards.values() if b.label])
    when = f"{words.when(s)}, took {words.duration(s.seconds)}, bench {s.bench or 'unknown'}"
    told = joined(
        el("div", verdict, class_="word"),
        el("h1", readable(s.procedure) or "A run without a beginning", f": {labels}" if labels else ""),
        el("p", when),
        el("p", f"Run {s.run}", class_="soft"),
    )
    banner = el("header", el("div", verdict.sign, class_="sign"), el("div", told), class_=f"top {mark(verdict)}")
    notices = [words.NOTHING_REAL] if s.simulated else []
    shown = (el("p", n, class_="notice") for n in [*notices, *words.interruptions(s)])
    return joined(banner, *shown, *(el("p", note, class_="note") for note in words.noted(s.notes)))


def _overview(s: Summary) -> Markup:
    lines = [
        el(
            "li",
            el("span", v.sign, class_=mark(v)),
            stage.title or stage.name,
            el("span", v, class_=f"word {mark(v)}"),
        )
        for stage in s.stages.values()
        for v in (words.stage_verdict(stage),)
    ]
    return _section(
        "Summary", *(el("p", t) for t in words.overview(s)), el("ul", *lines, class_="glance") if lines else None
    )


def _facts(pairs: Iterable[tuple[str, object]]) -> Markup:
    return el("dl", *(joined(el("dt", k), el("dd", v)) for k, v in pairs))


def _findings(s: Summary) -> Markup | None:
    if not s.findings:
        return None
    several = words.several(s)
    more = el("p", several, class_="note") if several else None
    return _section("Likely causes and what to change", more, *(_finding(f, s) for f in s.findings))


def _finding(f: ev.FindingMade, s: Summary) -> Markup:
    where = f" ({s.label(f.board)})" if f.board else ""
    change = ("Change", el("strong", words.sentence(f.remedy)))
    pairs: list[tuple[str, object]] = [change, ("How sure", words.confidence(f.confidence))]
    if f.evidence:
        pairs.append(("Speaks for it", _list(f.evidence)))
    if f.against:
        pairs.append(("Speaks against it", _list(f.against)))
    if f.explanation:
        pairs.append(("What it is", f.explanation))
    if f.next_test:
        pairs.append(("Test next", words.sentence(f.next_test)))
    return el("div", el("h3", f"{f.rank}. {f.title}{where}"), _facts(pairs), class_="finding")


def _list(items: Iterable[str]) -> Markup:
    return joined(*(el("div", words.sentence(i)) for i in items))


def _boards(s: Summary) -> Markup | None:
    return _section("Boards", el("div", *(_board(b) for b in s.boards.values()), class_="cards")) if s.boards else None


def _board(b: BoardSummary) -> Markup:
    lines = [el("div", b.role, class_="role"), el("div", b.label or "not seen", class_="label")]
    if b.seen:
        lines += [el("div", words.image(b)), el("div", f"port {b.port}, powered {words.many(b.boots, 'time')}")]
    if b.lowest_vcc is not None:
        lines.append(el("div", f"lowest supply between stages: {number(b.lowest_vcc)} V"))
    trouble = words.board_trouble(b)
    if trouble:
        lines.append(el("div", words.sentence(trouble), class_=mark(Verdict.UNDECIDED)))
    return el("div", *lines, class_="card")


# ---------------------------------------------------------------------- stages


def _stages(s: Summary, load: Loader | None) -> Markup | None:
    done = [stage for stage in s.stages.values() if words.stage_verdict(stage) is not Verdict.NOT_RUN]
    if not done:
        return None
    more = el("p", "How many samples, where the uncertainty comes from, and remarks: in the file.", class_="on-paper")
    return _section("Stages", el("div", *(_stage(stage, s, load) for stage in done), class_="stages"), more)


def _stage(stage: StageSummary, s: Summary, load: Loader | None) -> Markup:
    verdict = words.stage_verdict(stage)
    head = el(
        "h3",
        el("span", verdict.sign, class_=mark(verdict)),
        stage.title or stage.name,
        el("span", verdict, class_=mark(verdict)),
        el("span", words.duration(stage.seconds), class_="took"),
    )
    reason = words.sentence(words.stage_reason(stage, s))
    notes = words.notes(stage)
    told = el(
        "div",
        el("p", reason, class_="reason") if reason else None,
        readings_table(stage.readings.values()) if stage.readings else None,
        el("ul", *(el("li", n) for n in notes), class_="note") if notes else None,
    )
    figures = [_figure(p) for p in plots(stage, load)] if load is not None else []
    if not figures:
        return el("div", head, told, class_="stage")
    # few readings beside many plots would leave half a sheet of paper empty
    few = " few" if 1 < len(figures) > len(stage.readings) / _READINGS_A_PLOT else ""
    return el("div", head, told, el("div", *figures, class_="plots beside"), class_=f"stage drawn{few}")


_READINGS_A_PLOT = 4


def _figure(p: Plot) -> Markup:
    return el("figure", el("figcaption", words.sentence(p.caption)[:-1]), Markup(p.svg))


# ---------------------------------------------------------------------- the rest


def _outputs(s: Summary) -> Markup | None:
    """What the operator stated, when outputs were live and under which cap, and the cut-off times measured."""
    parts: list[Markup] = []
    if s.attestations:
        rows = [
            el("tr", el("td", "✓" if told.accepted else "✗"), el("td", told.text), el("td", told.proofs))
            for told in words.stated(s)
        ]
        widths = el("colgroup", el("col", class_="sign"), el("col", class_="said"), el("col"))
        heads = el(
            "tr", *(el("th", h) for h in ("", "stated by the operator", "when, and the word or count that proved it"))
        )
        parts.append(el("table", widths, el("thead", heads), el("tbody", *rows), class_="stated"))
    parts += [_live(sentence, periods) for sentence, periods in words.live_stages(s)]
    parts += [el("p", t) for t in words.cut_offs(s)]
    return _section("Outputs that can hurt", el("div", *parts, class_="outputs")) if parts else None


def _live(sentence: str, periods: Sequence[LivePeriod]) -> Markup:
    """The sentence; each period is folded away below it."""
    each = (el("div", words.live_period(p)) for p in periods)
    return el("details", el("summary", sentence), *each)


def _untested(s: Summary) -> Markup | None:
    rows = words.untested(s)
    if not rows:
        return None
    return _section("Not tested", el("ul", *(el("li", el("strong", what), f": {why}") for what, why in rows)))


def _cautions() -> Markup:
    told = (el("p", el("strong", f"{c.topic}. "), text(c.text)) for c in CAUTIONS)
    return _section("Cautions", el("div", *told, class_="cautions"))


def _origin(s: Summary) -> Markup:
    rows = []
    for name, v in words.origin(s):
        hashed = name.endswith("sha256")
        wide = "wide hash" if hashed else "wide" if name in ("benchctl", "procedure", "bench") else None
        rows.append(joined(el("dt", name), el("dd", v, class_=wide)))
    return _section("To repeat this run", el("dl", *rows, class_="facts"))
