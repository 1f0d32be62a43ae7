"""What the stages measure, against what the models really did: a small sample of the accuracy campaign.

Goals and how each is compared: tests/campaigns/accuracy_campaign.py. The campaign itself takes hundreds of benches.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest

CAMPAIGNS = Path(__file__).resolve().parents[1] / "campaigns"
sys.path.insert(0, str(CAMPAIGNS))

import accuracy_campaign as campaign  # noqa: E402
from witness import Edges  # noqa: E402

from benchctl.parts.signal import Signal  # noqa: E402
from tests.campaigns import published  # noqa: E402


@pytest.fixture(scope="module", params=[(0,), pytest.param((1, 2, 3), marks=pytest.mark.long)], ids=str)
def rows(request: pytest.FixtureRequest) -> dict[str, campaign.Row]:
    """Benches that the campaign's own numbers do not contain."""
    errors = [error for number in request.param for error in campaign.measure(number, "sim", seed=20)]
    return {row.quantity: row for row in campaign.score(errors)}


@pytest.mark.parametrize("quantity", sorted(campaign.GOALS))
def test_within_its_goal(rows: dict[str, campaign.Row], quantity: str) -> None:
    assert rows[quantity].within == 1.0, rows[quantity]


@pytest.mark.long
def test_the_real_firmware_measures_as_well() -> None:
    """One bench with the probe's image on simulated chips."""
    found = campaign.score(campaign.measure(3, "avr", seed=20))

    assert {r.quantity: r.within for r in found} == dict.fromkeys(campaign.GOALS, 1.0)


def test_edge_errors_are_those_put_in() -> None:
    """The comparison itself: a late stamp is told as late, a pair of edges that was never seen is not missed."""
    true = np.array([(0.0, 0), (100.0, 1), (300.0, 0), (300.5, 1), (302.0, 0), (90_000.0, 1), (90_050.0, 0)])
    seen = np.array([(1000.0, 0), (1103.0, 1), (1302.0, 0), (91_000.0, 1), (91_050.0, 0)])

    assert campaign.edge_errors(seen, true) == pytest.approx([3.0, 0.0, 0.0])


def test_a_missing_value_is_a_miss() -> None:
    row = campaign.score([campaign.Error("VCC", 1, (0.1,)), campaign.Error("VCC", 2, campaign.MISSING)])[0]

    assert row.within == 0.5
    assert row.worst == float("inf")


def test_edges_are_found_by_level_and_time() -> None:
    signal = Signal("line")
    edges = Edges(signal)
    for level, time in ((1.0, 0.1), (0.0, 0.2), (1.0, 0.3)):
        signal.set(level, time)

    assert edges.first(1.0, 0.15, 1.0) == 0.3
    assert edges.last(1.0, 0.15) == 0.1
    assert edges.within(0.15, 0.25).tolist() == [[0.2, 0.0]]


@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_the_results_are_the_campaigns(kind: str) -> None:
    """What the command writes: its columns and every quantity within its goal, with the command itself."""
    block = published.path(f"accuracy on {kind}").read_text("utf-8")
    rows = {cells[0]: cells for line in block.splitlines() if len(cells := line.strip("| ").split(" | ")) > 1}
    said = re.search(rf"accuracy_campaign\.py --benches (\d+) --seed \d+ --kind {kind} --write", block)

    assert said
    assert int(said[1]) >= (200 if kind == "sim" else 12)
    assert tuple(rows["quantity"]) == campaign.COLUMNS
    assert {q: rows[q][-1] for q in campaign.GOALS} == dict.fromkeys(campaign.GOALS, "100.00 %")


def test_writing_replaces_what_an_earlier_run_found(tmp_path: Path) -> None:
    rows = campaign.score([campaign.Error("VCC", 1, (0.1,))])
    for count in (1, 2):
        campaign.write(rows, count, 1, "sim", tmp_path / "results")

    (file,) = (tmp_path / "results").iterdir()
    text = file.read_text("utf-8")
    assert text.startswith("# Accuracy of the stages\n")
    assert "--benches 2 " in text
    assert "--benches 1 " not in text
