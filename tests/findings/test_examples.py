"""What the findings must say of boards whose trouble was worked out by hand."""

from __future__ import annotations

import re

import pytest

from benchctl.findings import find
from benchctl.findings.remedy import needed_uf, size_uf
from benchctl.terms import Role, Verdict

#: a lamp of 250 mA beside the LED, at a port that gives 100: the board goes down each time it lights
WEAK_FOR_ITS_LED = """
name = "weak-for-its-led"
[board.hand]
brown_out_v = 4.3
[board.hand.rail.main]
regulator_limit_ma = 100
[board.hand.led]
extra_ma = 250
[board.craft]
"""

TWO_BOARDS = """
name = "two-boards"
[board.hand.radio]
fitted = false
[board.craft]
brown_out_v = 1.8
hang_every_s = 25
"""


def first(summary):
    found = find(summary)
    return (found[0].cause, found[0].board) if found else None


def test_the_capacitor_by_hand():
    """(115 - 50) mA for 0.46 ms at 0.3 V: 65e-3 * 0.46e-3 / 0.3 = 99.7 µF."""
    assert needed_uf(115, 50) == pytest.approx(99.7, abs=0.05)
    assert size_uf(needed_uf(115, 50)) == 100


def test_bursts_above_the_regulator_with_little_bulk_are_the_capacitor(hunted):
    """115 mA for 0.46 ms, 50 mA delivered, 1 µF: the first cause is the capacitor, about 100 µF to fit."""
    found = find(hunted("weak-capacitor"))

    assert (found[0].cause, found[0].board) == ("capacitor", Role.CRAFT)
    assert found[0].remedy.startswith("fit 100 µF")
    computed = float(re.search(r"computed ([\d.]+) µF", found[0].remedy)[1])
    assert 80 <= computed <= 130


def test_the_same_with_150_uf_has_no_finding(hunted):
    summary = hunted("enough-capacitor")

    assert summary.verdict is Verdict.PASS
    assert find(summary) == []


def test_the_same_with_an_average_above_its_limit_is_the_regulator(hunted):
    found = find(hunted("weak-regulator"))

    assert (found[0].cause, found[0].board) == ("regulator", Role.CRAFT)
    assert "capacitor" not in [f.cause for f in found]


def test_a_joint_of_90_ohms_is_the_joint_and_no_capacitor_is_its_cure(hunted):
    """11.3 mA through 90 Ω: 1.02 V that stay as long as the current flows."""
    found = find(hunted("bad-joint"))

    assert (found[0].cause, found[0].board) == ("joint_radio", Role.HAND)
    ohms = float(re.search(r"about ([\d.]+) Ω", found[0].remedy)[1])
    assert ohms == pytest.approx(90, rel=0.15)
    assert "no capacitor brings that back" in found[0].remedy
    assert "capacitor" not in [f.cause for f in found]


def test_servo_on_the_logic_rail_is_told_from_a_weak_usb_source(hunted):
    """Both reset the board when the servo moves; the LED and sending tell the ohms of the source."""
    servo, weak = hunted("servo-on-logic"), hunted("weak-usb")

    for summary in (servo, weak):
        assert summary.boards[Role.CRAFT].unasked_resets > 0
        assert summary.stages["load_hunt"].readings["craft.trigger_servo"].value == 1
    assert first(servo) == ("servo_on_logic", Role.CRAFT)
    assert first(weak) == ("source", Role.CRAFT)


def test_a_board_that_its_led_takes_down_has_a_weak_source_not_a_bad_led(hunted):
    """Whoever counts the blinks sees too few; a board that restarts meanwhile cannot blink."""
    found = find(hunted(WEAK_FOR_ITS_LED))

    assert (found[0].cause, found[0].board) == ("source", Role.HAND)
    assert "led" not in [f.cause for f in found]


def test_trouble_on_one_board_hides_none_on_the_other(hunted):
    """A socket without its transceiver; on the other board the detector set too low, and a program that hangs."""
    found = find(hunted(TWO_BOARDS))

    assert {(f.cause, f.board) for f in found} >= {
        ("no_transceiver", Role.HAND), ("brown_out", Role.CRAFT), ("program", Role.CRAFT),
    }  # fmt: skip


def test_a_healthy_pair_has_no_finding(hunted):
    assert find(hunted("mudlark")) == []


@pytest.mark.parametrize(
    ("bench", "cause", "board"),
    [
        ("weak-source", "source", Role.HAND),
        ("no-transceiver", "no_transceiver", Role.CRAFT),
        ("open-miso", "line_miso", Role.HAND),
        ("busy-air", "interference", None),
        ("worn-stick", "joystick_worn", Role.HAND),
        ("lost-antenna", "antenna", None),
        ("wrong-address", "wrong_settings", None),
        ("reversed-led", "led", Role.CRAFT),
        ("untaught-esc", "esc_untaught", Role.CRAFT),
        ("dropping-cable", "serial_drops", Role.CRAFT),
        ("hanging-program", "program", Role.HAND),
        ("forgetful-transceiver", "forgets", Role.HAND),
    ],
)
def test_each_shipped_faulty_bench_is_named(hunted, bench, cause, board):
    assert first(hunted(bench)) == (cause, board)
