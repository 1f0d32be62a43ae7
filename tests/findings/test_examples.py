"""What the findings must say of boards whose trouble was worked out by hand."""

from __future__ import annotations

import re

import pytest

from benchctl.facts import OutputRestarts
from benchctl.findings import find
from benchctl.findings.remedy import needed_uf, size_uf
from benchctl.terms import Role, Verdict

#: a lamp of 250 mA beside the LED, at a port that gives 100: the board goes down each time it lights
WEAK_FOR_ITS_LED = """
name = "weak-for-its-led"
[pair]
from = "mudlark"
board.hand.supply.brown_out_v = 4.3
board.hand.led.beside_ma = 250
[board.hand.rail.main]
regulator_limit_ma = 100
"""

TWO_BOARDS = """
name = "two-boards"
[pair]
from = "mudlark"
board.craft.supply.brown_out_v = 1.8
[board.hand.radio]
fitted = false
[board.craft]
hang_every_s = 25
"""


def first(summary):
    found = find(summary)
    return (found[0].cause, found[0].board) if found else None


def test_the_capacitor_by_hand():
    """115 mA for 0.46 ms at 0.2 V: 115e-3 * 0.46e-3 / 0.2 = 264.5 µF; of E6 (IEC 60063) the next are 330 µF."""
    assert needed_uf(115) == pytest.approx(264.5, abs=0.05)
    assert size_uf(needed_uf(115)) == 330
    # 11.3 mA: 26 µF, never rounded down to 22
    assert size_uf(needed_uf(11.3)) == 33


@pytest.mark.long
def test_bursts_above_the_regulator_with_little_bulk_are_the_capacitor(hunted):
    """115 mA for 0.46 ms, 90 mA delivered, 1 µF: the first cause is the capacitor; what carries a burst is to be fitted."""
    found = find(hunted("weak-capacitor"))

    assert (found[0].cause, found[0].board) == ("capacitor", Role.CRAFT)
    fitted = float(re.match(r"fit ([\d.]+) µF", found[0].remedy)[1])
    assert fitted == 330
    assert "at most 0.86 Ω" in found[0].remedy  # 0.1 V / 115 mA = 0.8696 Ω, rounded down


@pytest.mark.long
def test_the_same_with_47_uf_has_no_finding(hunted):
    summary = hunted("enough-capacitor")

    assert summary.verdict is Verdict.PASS
    assert find(summary) == []


@pytest.mark.long
def test_the_same_with_an_average_above_its_limit_is_the_regulator(hunted):
    found = find(hunted("weak-regulator"))

    assert (found[0].cause, found[0].board) == ("regulator", Role.CRAFT)
    assert "capacitor" not in [f.cause for f in found]


@pytest.mark.long
def test_a_joint_of_90_ohms_is_the_joint_and_no_capacitor_is_its_cure(hunted):
    """11.3 mA through 90 Ω: 1.02 V that stay as long as the current flows."""
    found = find(hunted("bad-joint"))

    assert (found[0].cause, found[0].board) == ("joint_radio", Role.HAND)
    ohms = float(re.search(r"about ([\d.]+) Ω", found[0].remedy)[1])
    assert ohms == pytest.approx(90, rel=0.15)
    assert "no capacitor brings that back" in found[0].remedy
    assert "capacitor" not in [f.cause for f in found]


@pytest.mark.long
def test_servo_on_the_logic_rail_is_told_from_a_weak_usb_source(hunted):
    """Both restart at the servo's first small movement; what the LED and sending draw tells the ohms of the source."""
    servo, weak = hunted("servo-on-logic"), hunted("weak-usb")

    for summary in (servo, weak):
        assert summary.boards[Role.CRAFT].unasked_resets == 1
        assert [type(f) for f in summary.stages["outputs"].facts] == [OutputRestarts]
    assert first(servo) == ("servo_on_logic", Role.CRAFT)
    assert first(weak) == ("source", Role.CRAFT)


@pytest.mark.long
def test_a_board_that_its_led_takes_down_has_a_weak_source_not_a_bad_led(hunted):
    """Whoever counts the blinks sees too few; a board that restarts meanwhile cannot blink."""
    found = find(hunted(WEAK_FOR_ITS_LED))

    assert (found[0].cause, found[0].board) == ("source", Role.HAND)
    assert "led" not in [f.cause for f in found]


@pytest.mark.long
def test_trouble_on_one_board_hides_none_on_the_other(hunted):
    """A socket without its transceiver; on the other board the detector set too low, and a program that hangs."""
    found = find(hunted(TWO_BOARDS))

    assert {(f.cause, f.board) for f in found} >= {
        ("no_transceiver", Role.HAND), ("brown_out", Role.CRAFT), ("program", Role.CRAFT),
    }  # fmt: skip


@pytest.mark.long
def test_a_healthy_pair_has_no_finding(hunted):
    assert find(hunted("mudlark")) == []


@pytest.mark.parametrize(
    ("bench", "cause", "board"),
    [
        pytest.param("weak-source", "source", Role.HAND, marks=pytest.mark.long),
        pytest.param("no-transceiver", "no_transceiver", Role.CRAFT, marks=pytest.mark.long),
        ("open-miso", "line_miso", Role.HAND),
        pytest.param("busy-air", "interference", None, marks=pytest.mark.long),
        pytest.param("worn-stick", "joystick_worn", Role.HAND, marks=pytest.mark.long),
        pytest.param("lost-antenna", "antenna", None, marks=pytest.mark.long),
        ("wrong-address", "wrong_settings", None),
        pytest.param("look-alike", "no_ack_bit", None, marks=pytest.mark.long),
        pytest.param("reversed-led", "led", Role.CRAFT, marks=pytest.mark.long),
        pytest.param("untaught-esc", "esc_untaught", Role.CRAFT, marks=pytest.mark.long),
        pytest.param("dropping-cable", "serial_drops", Role.CRAFT, marks=pytest.mark.long),
        pytest.param("hanging-program", "program", Role.HAND, marks=pytest.mark.long),
        pytest.param("forgetful-transceiver", "forgets", Role.HAND, marks=pytest.mark.long),
    ],
)
def test_each_shipped_faulty_bench_is_named(hunted, bench, cause, board):
    assert first(hunted(bench)) == (cause, board)
