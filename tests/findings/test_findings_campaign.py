"""A small sample of the campaign; the whole of it is `tests/campaigns/findings_campaign.py`."""

from __future__ import annotations

import random

import fault_benches as fb
import findings_campaign as campaign
import pytest

from benchctl.benchfile import parse
from benchctl.findings.causes import BY_NAME

#: told by procedures that the campaign does not run: one presses part after part, the other confirms outputs
OTHER_PROCEDURES = {"loose_joint", "output_elsewhere"}


@pytest.mark.parametrize("draws", [2, pytest.param(20, marks=pytest.mark.long)])
def test_every_fault_can_be_drawn(draws):
    """Twenty draws find a range that a bench file does not allow."""
    for kind in sorted(fb.FAULTS):
        for seed in range(draws):
            case = fb.draw(random.Random(seed), (kind,))

            parse(case.toml(), "drawn")
            assert len(case.truth) == 1, kind


def test_every_cause_of_the_table_is_drawn():
    """As a physical fault; an open CSN line is drawn as what it looks like, an empty socket."""
    causes = {fb.draw(random.Random(seed), (kind,)).truth[0][0] for kind in fb.FAULTS for seed in range(8)}

    assert causes == set(BY_NAME) - OTHER_PROCEDURES


@pytest.mark.long
def test_kept_runs_are_scored_again_as_they_were(tmp_path):
    kept = tmp_path / "runs"
    once = campaign.campaign(seed=500_100, single=1, pairs=0, healthy=1, keep=kept)
    size = kept.stat().st_size

    assert campaign.again([kept]).lines() == once.lines()
    assert campaign.campaign(seed=500_100, single=1, pairs=0, healthy=1, keep=kept).lines() == once.lines()
    assert kept.stat().st_size == size


@pytest.mark.long
def test_a_few_drawn_benches():
    """Five single faults and a healthy bench: at most one wrong, which chance alone allows at 95 %."""
    score = campaign.campaign(seed=500_000, single=5, pairs=0, healthy=1)

    assert score.counts["single"] + score.counts["mild"] == 5
    assert score.counts["single first"] >= score.counts["single"] - 1
    assert score.counts["healthy with a finding"] == 0
