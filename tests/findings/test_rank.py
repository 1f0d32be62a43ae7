"""Weighing facts: what the posterior does with none, with one, with contradictions and with two causes."""

from __future__ import annotations

import pytest

from benchctl.findings.causes import BY_NAME, CAUSES
from benchctl.findings.evidence import BOARD_FACTS, CRAFT_FACTS, HAND_FACTS, PAIR_FACTS
from benchctl.findings.rank import rank, suspects
from benchctl.findings.record import LIMIT, Evidence
from benchctl.terms import Role

ALL_FACTS = {**BOARD_FACTS, **HAND_FACTS, **CRAFT_FACTS, **PAIR_FACTS}
#: causes that a workshop must be able to look for, in its own words
WANTED = (
    "capacitor", "source", "regulator", "joint_radio", "joint_main", "servo_on_logic", "brown_out", "program", "forgets",
    "line_miso", "line_mosi", "line_sck", "line_csn", "line_ce", "line_irq", "line_swapped", "no_transceiver",
    "wrong_settings", "firmware_differs", "interference", "antenna", "overload", "clone", "oscillator", "switch_bounce",
    "switch_floating", "switch_stuck", "joystick_swapped", "joystick_unpowered", "joystick_worn", "led", "servo_supply",
    "esc_untaught", "signal_ground", "imu_absent", "imu_address", "imu_self_test", "serial_drops",
)  # fmt: skip


def fact(name: str, board: Role | None = Role.CRAFT, holds: bool = True) -> Evidence:
    return Evidence(name, board, holds, name)


def best(facts):
    one = rank(facts).ranked[0]
    return one.suspect.cause.name, one.suspect.board


@pytest.mark.parametrize("name", WANTED)
def test_every_cause_is_in_the_table(name):
    assert name in BY_NAME


def test_predictions_are_about_facts_that_exist_and_are_probabilities():
    for cause in CAUSES:
        assert set(cause.predicts) <= set(ALL_FACTS), cause.name
        assert all(0 < p < 1 for p in cause.predicts.values()), cause.name


def test_every_cause_says_what_to_do_and_what_to_test():
    for cause in CAUSES:
        assert cause.remedy, cause.name
        assert cause.next_test, cause.name
        assert cause.explanation.endswith("."), cause.name


def test_without_facts_nothing_is_suspected():
    ranking = rank([])

    assert ranking.healthy == pytest.approx(0.58, abs=0.03)
    assert max(r.confidence for r in ranking.ranked) < 0.05


def test_all_quiet_is_healthy():
    ranking = rank([fact(n, Role.HAND, False) for n in BOARD_FACTS] + [fact(n, Role.CRAFT, False) for n in BOARD_FACTS])

    assert ranking.healthy > 0.5


def test_a_telling_fact_names_its_cause_and_its_board():
    assert best([fact("led_dark", Role.HAND), fact("led_dark", Role.CRAFT, False)]) == ("led", Role.HAND)


def test_a_persons_count_names_nothing_with_confidence():
    """Seen by a person who is wrong in 15 of 100, the same fact is weak; measured, it is not."""
    others = [fact(n, Role.CRAFT, holds=False) for n in ("no_beeps", "low_idle_arms", "few_beeps")]
    measured = [*others, fact("more_beeps"), fact(LIMIT, None)]
    counted = [*others, Evidence("more_beeps", Role.CRAFT, True, "", 0.15), fact(LIMIT, None)]

    assert rank(measured).ranked[0].confidence > 0.95
    assert rank(counted).ranked[0].confidence < 0.7


def test_two_unrelated_facts_name_both_causes():
    looked_at = [fact(n, role, holds=False) for n in ("damaged", "program_reset") for role in (Role.HAND, Role.CRAFT)]
    looked_at += [fact("loose", Role.HAND, holds=False)]
    ranking = rank([fact("led_dark"), fact("gap", Role.HAND), *looked_at, fact(LIMIT, None)])

    named = {r.suspect.cause.name: r.confidence for r in ranking.ranked[:2]}
    assert set(named) == {"led", "joystick_worn"}
    assert min(named.values()) > 0.8


def test_what_is_predicted_and_missing_speaks_against():
    """A dip that a capacitor would explain, once with the static drop that only ohms make."""
    dip = [fact("burst_dip"), fact("burst_lost", holds=False)]
    static = [*dip, fact("burst_resistive"), fact("listen_drop")]
    transient = [*dip, fact("burst_resistive", holds=False), fact("listen_drop", holds=False)]

    assert best(static) == ("joint_radio", Role.CRAFT)
    assert best(transient) == ("capacitor", Role.CRAFT)


def test_confidences_are_probabilities_of_disjoint_single_causes():
    ranking = rank([fact("dead", None), fact("heard", None, False), fact(LIMIT, None)])

    assert 0 <= ranking.healthy <= 1
    assert all(0 <= r.confidence <= 1 for r in ranking.ranked)
    assert len(ranking.ranked) == len(suspects())


def test_a_failed_limit_alone_names_nobody():
    """A verdict without a clue: no cause stands out."""
    assert rank([fact(LIMIT, None)]).ranked[0].confidence < 0.1


def test_little_that_shows_speaks_for_a_mild_fault_as_much_shows_for_a_bad_one():
    """Neither a rail that dips and nothing else, nor one that dips with all its effects, is told to be chance."""
    effects = ("burst_lost", "trigger_transmit", "forgets", "lossy", "one_way", "weak_better", "line_ce")
    for holds in (False, True):
        absent = ("listen_lost", "burst_resistive", "servo_sag", "main_soft", "untriggered")
        seen = [fact("burst_dip"), *(fact(name, holds=False) for name in absent)]
        pair = ("lossy", "one_way", "weak_better")
        seen += [fact(name, None if name in pair else Role.CRAFT, holds) for name in effects]
        ranking = rank([*seen, fact(LIMIT, None)])

        assert ranking.ranked[0].suspect.cause.name == "capacitor"


def test_a_controller_that_arms_at_the_second_attempt_is_not_surely_untaught():
    """Without a ground wire it arms when enough pulses happen to come through, whatever their width."""
    seen = [fact("no_beeps"), fact("low_idle_arms"), fact(LIMIT, None)]
    named = [r.suspect.cause.name for r in rank(seen).ranked[:2]]

    assert named == ["esc_untaught", "signal_ground"]
