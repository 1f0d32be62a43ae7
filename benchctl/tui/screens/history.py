"""Past runs: a list with a filter; open one, or mark two and see them side by side."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal
from textual.screen import Screen
from textual.widgets import DataTable, Footer, Input, Label

from benchctl.errors import UsageError
from benchctl.report import words
from benchctl.runs.index import RunRow, list_rows
from benchctl.terms import Verdict
from benchctl.tui.past import MARK, cells, load_summary, matching
from benchctl.tui.screens.batch import BatchScreen
from benchctl.tui.screens.compare import CompareScreen
from benchctl.tui.widgets.lines import Line, Lines, fit, line
from benchctl.tui.workers import show_on

#: rows put into the table; the filter finds the others
_MOST = 300
_COLUMNS = ("", "verdict", "when (UTC)", "boards", "likeliest cause", "procedure", "what failed", "bench")
_VERDICT = _COLUMNS.index("verdict")
#: by verdict; other words have the screen's own colour
_COLOURS = {Verdict.PASS: "green", Verdict.FAIL: "red", Verdict.UNDECIDED: "yellow"}


class RunPane(Lines):
    """The highlighted run in full, for screens on which the table is cut off."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.row: RunRow | None = None

    def build(self, width: int, height: int) -> list[Line]:
        row = self.row
        if row is None:
            return []
        _, verdict, when, boards, cause, procedure, failed, bench = cells(row, False)
        why = ": ".join(t for t in (failed, cause) if t)
        head = f"{verdict}, {procedure} on {bench}, {when} UTC, {words.duration(row.seconds)}"
        return [
            line((fit(head, width), "strong")),
            line(fit(boards, width)),
            line((fit(why or row.name, width), "soft")),
        ]


class HistoryScreen(Screen[None]):
    AUTO_FOCUS = "#runs"
    BINDINGS: ClassVar = [
        Binding("enter", "open", "Open"),
        Binding("space", "mark", "Mark"),
        Binding("c", "compare", "Compare marked"),
        Binding("b", "batch", "Batch"),
        Binding("slash", "filter", "Filter", key_display="/"),
        Binding("escape", "back", "Back"),
    ]

    def __init__(self, root: Path) -> None:
        super().__init__()
        self.root = root
        self.rows: list[RunRow] = []
        self._shown: list[RunRow] = []
        self._marked: list[str] = []

    def compose(self) -> ComposeResult:
        with Horizontal(id="filterline"):
            yield Label("Past runs, filter")
            yield Input(placeholder="a label, a procedure, fail, a cause…", id="filter", compact=True)
            yield Label("Reading…", id="count")
        yield DataTable(id="runs", cursor_type="row", zebra_stripes=False)
        yield RunPane(id="about")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self._load()

    @work(thread=True, exclusive=True)
    def _load(self) -> None:
        try:
            rows, problem = list_rows(self.root), ""
        except UsageError as e:
            rows, problem = [], str(e)
        show_on(self, self._loaded, rows, problem)

    def _loaded(self, rows: list[RunRow], problem: str) -> None:
        self.rows = rows
        if problem:
            self.notify(problem, severity="error", markup=False)
        self._fill()

    @on(Input.Changed, "#filter")
    def _fill(self) -> None:
        found = matching(self.rows, self.query_one("#filter", Input).value)
        self._shown = found[:_MOST]
        table = self.query_one(DataTable)
        told = [cells(row, row.name in self._marked) for row in self._shown]
        table.clear(columns=True)
        for i, name in enumerate(_COLUMNS):
            table.add_column(name, key=name or "mark", width=max(cell_len(t) for t in (name, *(c[i] for c in told))))
        for row, texts in zip(self._shown, told, strict=True):
            shown = [Text(t) for t in texts]
            shown[_VERDICT].stylize(_COLOURS.get(row.verdict, ""))
            table.add_row(*shown, key=row.name)
        more = f", the latest {_MOST} listed" if len(found) > _MOST else ""
        count = f"{len(found)} of {words.many(len(self.rows), 'run')}{more}" if self.rows else "no run yet"
        self.query_one("#count", Label).update(count)

    @on(DataTable.RowHighlighted)
    def _highlighted(self) -> None:
        pane = self.query_one(RunPane)
        pane.row = self._current()
        pane.renew()

    @on(Input.Submitted, "#filter")
    def _filtered(self) -> None:
        self.query_one(DataTable).focus()

    def action_filter(self) -> None:
        self.query_one("#filter").focus()

    def _current(self) -> RunRow | None:
        place = self.query_one(DataTable).cursor_row
        return self._shown[place] if 0 <= place < len(self._shown) else None

    # ------------------------------------------------------------------ what can be done with a run

    @on(DataTable.RowSelected)
    def action_open(self) -> None:
        row = self._current()
        if row is None:
            return
        folder = self.root / row.name
        try:
            summary = load_summary(folder)
        except UsageError as e:
            self.notify(str(e), severity="error", markup=False)
            return
        self.app.show_verdict(summary, folder)  # type: ignore[attr-defined]

    def action_mark(self) -> None:
        """Mark or unmark; at most two are marked, the oldest mark gives way."""
        row = self._current()
        if row is None:
            return
        if row.name in self._marked:
            self._marked.remove(row.name)
        else:
            self._marked = [*self._marked, row.name][-2:]
        table = self.query_one(DataTable)
        for shown in self._shown:
            mark = Text(MARK if shown.name in self._marked else " ")
            if table.get_cell(shown.name, "mark") != mark:
                table.update_cell(shown.name, "mark", mark)

    def action_compare(self) -> None:
        if len(self._marked) != 2:
            self.notify("Mark two runs with Space first.", severity="warning")
            return
        earlier, later = sorted(self._marked)
        self.app.push_screen(CompareScreen(self.root / earlier, self.root / later))

    def action_batch(self) -> None:
        self.app.push_screen(BatchScreen(self.root, self.rows))

    def action_back(self) -> None:
        self.dismiss()
