"""Jumpers drawn and listed from the bench file itself."""

from __future__ import annotations

import pytest

from benchctl.benchfile import load
from benchctl.cli import main
from benchctl.errors import UsageError
from benchctl.pairfile import parse, wiring

ENDS = ("D3 (PD3) stimulus", "D9 (PB1) watch3", "D6 (PD6) stick_out", "D4 (PD4) watch1", "D8 (PB0) capture")


def test_every_jumper_of_the_black_box_is_drawn_and_listed_once() -> None:
    pair = load("black-box").pair
    drawing, _, table = wiring(pair).partition("\nfrom ")

    for end in ENDS:
        times = 2 if "stick_out" in end else 1  # both axes get its voltage
        assert drawing.count(end) == times
        assert table.count(end) == times
    assert len(table.splitlines()) == 1 + len(pair.jumpers)
    assert drawing.count("GND   ") == 2  # one ground from the gauge to either board
    assert max(map(len, drawing.splitlines())) <= 80


def test_what_stands_in_a_line_is_said() -> None:
    """A filter for the voltage that plays the joystick, halves of the supplies."""
    table = wiring(load("black-box").pair).partition("\nfrom ")[2].splitlines()

    assert [line.count("0.47 uF to ground") for line in table if "stick_out" in line] == [1, 1]
    assert [line.count("10 kOhm, 10 kOhm to ground") for line in table if "sense_vcc" in line] == [1, 1]


def test_every_jumper_carries_a_resistor() -> None:
    """1 to 4.7 kΩ in each that is no divider or filter, in the drawing and in the table: a slip then hurts nothing."""
    drawing, _, table = wiring(load("mudlark").pair).partition("\nfrom ")
    assert drawing.count("[4.7k]") == table.count("4.7 kOhm") == 2
    drawing, _, table = wiring(load("black-box").pair).partition("\nfrom ")
    assert drawing.count("[1k]") == table.count(" 1 kOhm") == 1
    assert " wire " not in table


def test_the_pins_are_the_files_own() -> None:
    text = '[board.hand.pins]\nswitch1 = "PD5"\n[board.gauge.pins]\nstimulus = "a1"\n'
    text += '[[jumper]]\nfrom = "gauge.stimulus"\nto = "hand.switch1"\n'
    drawn = wiring(parse(text.encode(), "moved.toml"))

    assert "hand D5 (PD5) switch1" in drawn
    assert "gauge A1 (PC1) stimulus" in drawn
    assert drawn.startswith("pair moved")


def test_by_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "wiring", "black-box"]) == 0
    assert "RESET" in capsys.readouterr().out
    assert main(["bench", "wiring", "--pair", "mudlark"]) == 0
    assert "D9 (PB1) pulse1" in capsys.readouterr().out
    assert main(["bench", "wiring", "ports"]) == 2
    assert "expected a bench that names a pair" in capsys.readouterr().err
    assert main(["bench", "wiring", "nowhere"]) == UsageError("").exit_code
