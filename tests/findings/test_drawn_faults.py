"""Faults of a hand-soldered pair that a meter or a question settles: each by the stages that look for it, with its remedy."""

from __future__ import annotations

import random

import circuit_benches as cb
import circuit_campaign as campaign
import findings_campaign as first
import pytest
from needs import needs

from benchctl.avr.build_shim import available
from benchctl.terms import Role, Verdict

KINDS = ["sim", pytest.param("avr", marks=[needs(available()), pytest.mark.long])]


def found(edit: str, stages: list[str], kind: str = "sim", seed: int = 900):
    case = cb.edited(random.Random(seed), "mudlark", (edit,))
    summary = first.perform(case, seed, kind, only=stages)
    return summary, campaign.find(summary), case.wrong[0]


@pytest.mark.parametrize("ohms", [100.0, pytest.param(1e6, marks=pytest.mark.long)])
def test_a_pull_of_another_value_is_told_with_its_ohms(ohms: float) -> None:
    case = cb.edited(random.Random(900), "mudlark", ())
    case.put("board.hand.switch.switch2.pull_ohms", ohms)
    summary = first.perform(case, 900, only=["supply", "controls"])
    (finding,) = campaign.find(summary)

    assert (finding.cause, finding.board) == ("switch_pull", Role.HAND)
    assert "10 kΩ at switch2" in finding.remedy
    # 1 mA and 5 µA, through a meter that is good to some thousandths
    told = summary.stages["controls"].readings["hand.switch2_pull_ma"].value
    assert told == pytest.approx(5000 / ohms, rel=0.05)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("edit", ["cut_servo_ground", "servo_at_another_pin"])
@pytest.mark.harm("outputs")
def test_a_servo_that_does_not_move_lacks_its_ground_or_hangs_elsewhere(edit: str, kind: str) -> None:
    """The pulse moves nothing in either case; a meter from its plus to the board's ground tells which."""
    _, findings, wrong = found(edit, ["outputs"], kind)

    assert campaign.right(findings[0], wrong)
    assert findings[0].confidence > 0.8


@pytest.mark.parametrize("kind", KINDS)
def test_another_craft_on_the_address_is_found_also_where_the_link_is_good(kind: str) -> None:
    summary, findings, wrong = found("second_craft", ["link"], kind)

    assert summary.stages["link"].readings["hand.others_answer"].value > 0
    assert summary.stages["link"].verdict is Verdict.FAIL
    assert campaign.right(findings[0], wrong)
    assert "address of its own" in findings[0].remedy


@pytest.mark.long
@pytest.mark.parametrize("edit", ["controller_with_a_high_idle", "cut_signal_ground"])
def test_a_controller_that_does_not_arm_is_untaught_or_lacks_its_ground(edit: str) -> None:
    """Neither gives a sound, on the usual idle and on a lower one; a meter between the grounds tells which."""
    _, findings, wrong = found(edit, ["esc_arming"])

    assert campaign.right(findings[0], wrong)
    assert findings[0].confidence > 0.8
