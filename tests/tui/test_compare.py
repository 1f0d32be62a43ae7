"""Two runs side by side: under a reading the values of both, laid over each other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import stories
from helpers_compare import button_run
from rich.cells import cell_len

from benchctl import events as ev
from benchctl.tui.app import BenchApp
from benchctl.tui.screens.compare import ComparePane, CompareScreen
from benchctl.tui.widgets.lines import plain


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    draws = np.random.default_rng(2)
    runs = [button_run(draws.normal(middle, 50, n)) for middle, n in ((5000, 400), (5400, 150))]
    names = ("20260314-101530-p-0001", "20260314-111530-p-0002")
    one, other = (stories.record(tmp_path, name, events) for name, events in zip(names, runs, strict=True))
    return one, other


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_both_distributions_are_on_the_screen(two: tuple[Path, Path], size: tuple[int, int]) -> None:
    """With n, to one scale, in 80 columns and without scrolling in 24 lines."""

    async def play(app: BenchApp, pilot: Any) -> None:
        app.push_screen(CompareScreen(*two))
        await stories.until(
            pilot, lambda: isinstance(app.screen, CompareScreen) and bool(app.screen.query(ComparePane))
        )
        pane = app.screen.query_one(ComparePane)
        await stories.until(pilot, lambda: pane.found is not None and bool(pane.overlays))
        await stories.until(pilot, lambda: "later n 150" in stories.picture(app))
        shown = stories.picture(app)

        assert "SOMETHING GOT WORSE" in shown
        assert "earlier n 400" in shown
        rows = [r for r in shown.splitlines() if " n 400" in r or " n 150" in r]
        assert len(rows) == 2
        # the later one's values are the greater ones: its blocks end further to the right
        assert len(rows[0].rstrip()) < len(rows[1].rstrip())
        assert max(map(cell_len, shown.splitlines())) <= size[0]

    stories.with_app(size, play)


@pytest.mark.parametrize("width", [47, 66, 78, 118])
def test_lines_fit_any_width(two: tuple[Path, Path], width: int) -> None:
    from benchctl.compare import compare
    from benchctl.report.overlay import overlays
    from benchctl.runs.tables import Tables
    from benchctl.tui.screens.compare import compare_lines
    from benchctl.tui.screens.history import load_summary

    reference, new = (load_summary(p) for p in two)
    found = compare(reference, new)
    laid = overlays(found.rows, (reference, Tables(two[0])), [(new, Tables(two[1]))])
    lines = compare_lines(found, reference, new, width, laid)

    assert max(cell_len(plain(line)) for line in lines) <= width


def test_unlike_runs_are_refused_on_the_screen(tmp_path: Path) -> None:
    """The sentence stands where the comparison would be."""
    values = np.random.default_rng(2).normal(5000, 50, 400)
    other = [replace(e, bench_kind="avr") if isinstance(e, ev.RunStarted) else e for e in button_run(values)]
    two = [stories.record(tmp_path, f"run-{n}", events) for n, events in enumerate((button_run(values), other))]

    async def play(app: BenchApp, pilot: Any) -> None:
        app.push_screen(CompareScreen(*two))
        await stories.until(pilot, lambda: "only runs of one kind of bench" in " ".join(stories.picture(app).split()))

    stories.with_app((80, 24), play)


def test_what_is_the_same_is_one_line_until_asked_for(tmp_path: Path) -> None:
    """S shows it."""
    draws = np.random.default_rng(3)
    one, other = (
        stories.record(tmp_path, f"2026031{day}-101530-p-0001", button_run(draws.normal(5000, 50, 400)))
        for day in (4, 5)
    )

    async def play(app: BenchApp, pilot: Any) -> None:
        app.push_screen(CompareScreen(one, other))
        await stories.until(pilot, lambda: "The same: " in stories.picture(app))
        assert "earlier n 400" not in stories.picture(app)
        await pilot.press("s")
        await stories.until(pilot, lambda: "earlier n 400" in stories.picture(app))

    stories.with_app((120, 40), play)
