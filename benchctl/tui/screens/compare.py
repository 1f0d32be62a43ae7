"""Two runs side by side, reading by reading."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import Screen
from textual.widgets import Footer

from benchctl.analysis.equivalence import Outcome
from benchctl.compare import Comparison, Row, compare, undecided_why
from benchctl.errors import UsageError
from benchctl.report import words
from benchctl.report.compared import grouped
from benchctl.report.overlay import Overlay, overlays
from benchctl.runs.summary import Summary
from benchctl.runs.tables import Tables
from benchctl.terms import Verdict
from benchctl.tui.past import load_summary
from benchctl.tui.widgets.lines import Line, Lines, fit, joined, line, right, wrapped
from benchctl.tui.widgets.stages import TONES
from benchctl.tui.workers import show_on
from benchctl.units import quantity

#: outcome → sign and tone
_OUTCOMES = {
    "same": ("=", "good"),
    "better": ("↑", "good"),
    "worse": ("↓", "bad"),
    "undecided": ("?", "warn"),
    "": ("·", "soft"),
}


_VERDICTS = {
    Verdict.PASS: "NOTHING GOT WORSE",
    Verdict.FAIL: "SOMETHING GOT WORSE",
    Verdict.UNDECIDED: "NOT DECIDED",
    Verdict.NOT_RUN: "NOT COMPARED",
}


def compare_lines(
    c: Comparison,
    reference: Summary,
    new: Summary,
    width: int,
    overlays: Sequence[Overlay] = (),
    *,
    folded: bool = False,
) -> list[Line]:
    """The whole page: verdict, changed stages, what is not alike, then the readings with both distributions.

    folded: of the readings that are the same only their number.
    """
    wide = min(width, 120)
    tone = TONES.get(str(c.verdict), "")
    counts = [(len(c.having(o)), str(o)) for o in _outcomes_of(c)]
    told = ", ".join(f"{n} {o}" for n, o in counts) or "no reading says how sure it is; all are for information"
    head = [
        line((f"{c.verdict.sign} {_VERDICTS[c.verdict]}", tone), f"   {told}"),
        *wrapped(_named(reference), wide, "", "earlier  ", "         "),
        *wrapped(_named(new), wide, "", "later    ", "         "),
    ]
    unlike = [w for d in c.differences for w in wrapped(words.clean(d), wide, "warn", "! ", "  ")]
    gone = [w for m in c.gone() for w in wrapped(m, wide, "warn", "! ", "  ")]
    changed = [line(f"{c.title(s)}: {_or_dash(old)} → {_or_dash(later)}") for s, old, later in c.verdicts]
    groups, same = grouped(c), len(c.having(Outcome.SAME))
    if folded and same:
        groups = [(title, rows) for title, rows in groups if rows[0].outcome is not Outcome.SAME]
    readings = [
        _stage(f"{title}: {c.title(stage)}", list(rows), wide, overlays, c.alpha)
        for title, all_rows in groups
        for stage, rows in groupby(all_rows, lambda r: r.stage)
    ]
    fold = [line((f"The same: {words.many(same, 'reading')}", "strong"), ("   s shows them", "soft"))]
    ended = _headed("Stages that ended differently", changed)
    return joined([head, ended, [*unlike, *gone], *readings, fold if folded and same else []])


def _outcomes_of(c: Comparison) -> list[Outcome]:
    return list(dict.fromkeys(r.outcome for r in c.rows if r.outcome is not None))


def _named(s: Summary) -> str:
    boards = words.names([b.label or str(b.role) for b in s.boards.values()])
    return f"{words.moment(s.wall)}  {s.procedure}, {boards}"


def _or_dash(verdict: Verdict | None) -> str:
    return f"{verdict.sign} {verdict}" if verdict else "–"


def _headed(title: str, rows: list[Line]) -> list[Line]:
    return [line((title, "strong")), *rows] if rows else []


def _stage(title: str, rows: Iterable[Row], width: int, overlays: Sequence[Overlay], alpha: float) -> list[Line]:
    value_width = 15 if width >= 100 else 12
    name_width = width - 2 * value_width - 17
    out = [line((fit(title, name_width), "strong"),
                (f" {right('earlier', value_width)} {right('later', value_width)}", "soft"))]  # fmt: skip
    for row in rows:
        said = str(row.outcome) if row.outcome is not None else ""
        sign, tone = _OUTCOMES.get(said, ("·", ""))
        name = row.new.called
        old, new = (right(quantity(r.value, r.unit), value_width) for r in (row.reference, row.new))
        out.append(line(fit(f"  {name}", name_width), f" {old} {new}", (f"  {sign} {said or 'for info'}", tone)))
        out += wrapped(undecided_why(row, alpha), width, "soft", "      ", "      ") if said == "undecided" else []
        for o in overlays:
            if o.stage == row.stage and o.readings[-1] == row.new.name:
                out += _distributions(o, width)
    return out


def _distributions(o: Overlay, width: int) -> list[Line]:
    """Both runs' values to one scale, under the last of the readings that are of them."""
    one, other, scale = o.lines(width - 6, ("earlier", "later"))
    return [line((f"      {one}", "note")), line((f"      {other}", "note")), line((f"      {scale}", "soft"))]


class ComparePane(Lines):
    can_focus = True

    def __init__(self) -> None:
        super().__init__(id="compare")
        self.found: tuple[Comparison, Summary, Summary] | None = None
        self.overlays: list[Overlay] = []
        self.folded = True
        self.problem = ""

    def build(self, width: int, height: int) -> list[Line]:
        if self.problem:
            return wrapped(self.problem, width, "bad")
        if self.found is None:
            return [line(("Reading the two runs…", "soft"))]
        return compare_lines(*self.found, width, self.overlays, folded=self.folded)


class CompareScreen(Screen[None]):
    AUTO_FOCUS = "#compare"
    BINDINGS: ClassVar = [Binding("s", "fold", "What is the same"), Binding("escape", "back", "Back")]

    def __init__(self, reference: Path, new: Path) -> None:
        super().__init__()
        self.reference = reference
        self.new = new
        self._pane = ComparePane()

    def compose(self) -> ComposeResult:
        yield self._pane
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self._load()

    @work(thread=True)
    def _load(self) -> None:
        pane = self._pane
        try:
            reference, new = load_summary(self.reference), load_summary(self.new)
            found = compare(reference, new)
            pane.overlays = overlays(found.rows, (reference, Tables(self.reference)), [(new, Tables(self.new))])
            pane.found = found, reference, new
        except UsageError as e:
            pane.problem = words.sentence(str(e))
        show_on(self, pane.renew)

    def action_fold(self) -> None:
        self._pane.folded = not self._pane.folded
        self._pane.renew()

    def action_back(self) -> None:
        self.dismiss()
