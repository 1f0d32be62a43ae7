"""The batch page, ranks, and what a comparison says of what it leaves open."""

from __future__ import annotations

from pathlib import Path

from benchctl.analysis.equivalence import Margin, compare_proportions
from benchctl.compare import more_trials
from benchctl.report.batch import page, ranks
from benchctl.report.key_figures import KeyFigure
from benchctl.runs.index import list_rows
from benchctl.terms import Reading


def figures(loss: float, margin: float) -> list[KeyFigure]:
    return [KeyFigure("loss", "link", Reading("loss", loss, "%")),
            KeyFigure("supply margin", "supply", Reading("speed_margin", margin, "V"))]  # fmt: skip


def test_ranks_count_from_the_best() -> None:
    """Least loss and most margin are best; equal ones share a place."""
    placed = ranks({"a": figures(0.0, 0.4), "b": figures(0.5, 0.9), "c": figures(0.5, 0.1)})

    assert placed["a"] == {"loss": "best of 3", "supply margin": "2nd best of 3"}
    assert placed["b"] == {"loss": "2nd best of 3", "supply margin": "best of 3"}
    assert placed["c"] == {"loss": "2nd best of 3", "supply margin": "3rd best of 3"}


def test_an_empty_batch_is_a_page_too(tmp_path: Path) -> None:
    assert "No board has been judged yet." in page(tmp_path, list_rows(tmp_path), False)


def test_how_many_more_packets_decide() -> None:
    """Two runs of 400 without a loss, margin 0.5 %: some hundred more of the new one do; with so many it is decided,
    with half as many it is not. A change as large as the margin no number of packets calls the same."""
    more = more_trials((0, 1500), (0, 400), 0.005, 0.05)

    assert more is not None
    assert 50 < more < 1500
    margin = Margin(absolute=0.005)
    assert compare_proportions("", (0, 1500), (0, 400 + more), margin).p_same <= 0.05
    assert compare_proportions("", (0, 1500), (0, 400 + more // 2), margin).p_same > 0.05
    assert more_trials((5, 1000), (11, 1000), 0.005, 0.05) is None
