"""Jumpers drawn and listed from the bench file itself."""

from __future__ import annotations

import pytest

from benchctl.benchfile import load, parse, wiring
from benchctl.cli import main
from benchctl.errors import UsageError

ENDS = ("PD3 (D3) stimulus", "PB1 (D9) watch3", "PD6 (D6) stick_out", "PD4 (D4) watch1", "PB0 (D8) capture")


def test_every_jumper_of_the_black_box_is_drawn_and_listed_once() -> None:
    spec = load("black-box")
    drawing, _, table = wiring(spec).partition("\nfrom ")

    for end in ENDS:
        assert drawing.count(end) == 1
        assert table.count(end) == 1
    assert len(table.splitlines()) == 1 + len(spec.wires)
    assert drawing.count("GND   ") == 2  # one ground from the gauge to either board
    assert max(map(len, drawing.splitlines())) <= 80


def test_what_stands_in_a_line_is_said() -> None:
    """A filter for the voltage that plays the joystick, halves of the supplies."""
    table = wiring(load("black-box")).partition("\nfrom ")[2].splitlines()

    assert [line.count("0.47 uF to ground") for line in table if "stick_out" in line] == [1]
    assert [line.count("10 kOhm, 10 kOhm to ground") for line in table if "sense_vcc" in line] == [1, 1]


def test_the_pins_are_the_files_own() -> None:
    text = 'name = "moved"\n[board.hand.pins]\nswitch1 = "PD5"\nswitch2 = "PD3"\n[board.gauge]\n'
    text += '[[wire]]\nfrom = "gauge.stimulus"\nto = "hand.switch1"\n'

    assert "hand PD5 (D5) switch1" in wiring(parse(text.encode(), "moved.toml"))


def test_a_broken_jumper_is_no_jumper() -> None:
    text = b'name = "x"\n[board.hand]\n[board.craft]\n[[wire]]\nfrom = "craft.led"\nto = "hand.loop_back"\nopen = true\n'

    assert "craft PD4" not in wiring(parse(text, "x.toml"))


def test_by_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "wiring", "black-box"]) == 0
    assert "RESET" in capsys.readouterr().out
    assert main(["bench", "wiring", "ports"]) == 2
    assert "expected a bench file" in capsys.readouterr().err
    assert main(["bench", "wiring", "nowhere"]) == UsageError("").exit_code
