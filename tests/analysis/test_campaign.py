"""A small sample of the statistics campaign; the whole of it is `tests/campaigns/statistics_campaign.py`."""

import importlib.util
import json
import sys
from pathlib import Path

import pytest

PATH = Path(__file__).parents[1] / "campaigns" / "statistics_campaign.py"


def load():
    spec = importlib.util.spec_from_file_location("statistics_campaign", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


campaign = load()
#: benches that take longest get fewer rounds
SOME = {campaign.droop_bench: 30, campaign.ramp_bench: 30, campaign.host_bench: 30, campaign.board_bench: 40}
QUICK = [b for b in campaign.BENCHES if b is not campaign.long_host_bench]


@pytest.mark.parametrize("bench", QUICK, ids=lambda b: b.__name__)
def test_intervals_cover(bench):
    """Some benches each: a coverage outside 93 to 97.5 % beyond chance fails."""
    missed = [r for r in campaign.coverage(SOME.get(bench, 60), 5, [bench]) if not r.plausible()]

    assert missed == []


@pytest.mark.long
def test_intervals_cover_over_minutes():
    assert all(r.plausible() for r in campaign.coverage(5, 5, [campaign.long_host_bench]))


def test_decisions_keep_their_promises():
    promises = campaign.sequential(150, 5)

    assert len(promises) == 8
    assert [p for p in promises if "exact" in p.what and not p.holds()] == []
    assert all(p.value <= 1.15 * p.limit for p in promises)


def test_nothing_changed_is_not_called_worse():
    assert campaign.comparison(30, 5)[0].holds()


def test_a_row_outside_is_seen():
    """The sample's own alarm works: 80 % coverage is refused, 100 % only where the interval is not exact."""
    assert not campaign.Row("x", 80, 100, False).plausible()
    assert not campaign.Row("x", 400, 400, False).plausible()
    assert campaign.Row("x", 400, 400, True).plausible()
    assert not campaign.Row("x", 90, 100, True).holds()


def test_table_and_json(capsys, monkeypatch):
    """Both forms hold every row; a missed one is marked and ends the command with 1."""
    monkeypatch.setattr(campaign, "coverage", lambda n, s: [campaign.Row("loss", 50, 100, False)])
    monkeypatch.setattr(campaign, "sequential", lambda n, s: [campaign.Promise("errors", 0.01, 0.05)])
    monkeypatch.setattr(campaign, "comparison", lambda n, s: [])

    assert campaign.main(["--benches", "100"]) == 1
    assert "MISSED" in capsys.readouterr().out
    assert campaign.main(["--benches", "100", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["coverage"]["loss"] == {"covered": 0.5, "exact": False, "holds": False}
    assert found["promises"]["errors"]["holds"]
