"""The wall around the guard: nobody else makes a motor's width or touches a register."""

import subprocess
from pathlib import Path

from needs import need_program

SOURCES = Path(__file__).parents[2] / "firmware_probe"


def code_of(path):
    return "\n".join(line.split("//")[0] for line in path.read_text().splitlines())


def test_nobody_but_the_guard_can_make_a_motor_width(tmp_path):
    """The width of a motor channel is a class that only the guard constructs; others do not compile."""
    need_program("g++")

    def compiles(body):
        source = tmp_path / "t.cpp"
        source.write_text(f'#include "guard.h"\nvoid f(GuardedWidth w) {{ {body} }}\n')
        command = ["g++", "-std=gnu++11", "-fsyntax-only", f"-I{SOURCES}", str(source)]
        return subprocess.run(command, capture_output=True).returncode == 0

    assert compiles("guard_output(1, w);")
    assert not compiles("guard_output(1, GuardedWidth(4000));")
    assert not compiles("guard_output(1, 4000);")
    assert not compiles("GuardedWidth x; (void)x;")
    assert not compiles("w.ticks_ = 4000;")


def test_motor_widths_are_put_out_in_one_place():
    """Called by the guard only; defined where the pins are."""
    callers = [p.name for p in SOURCES.glob("*.cpp") if "guard_output(" in code_of(p)]

    assert sorted(callers) == ["guard.cpp", "hw_pulse.cpp"]
    assert code_of(SOURCES / "hw_pulse.cpp").count("guard_output(") == 1


def test_no_register_outside_the_hw_files():
    """The hw files are the only ones that know the chip."""
    for path in (*SOURCES.glob("*.cpp"), *SOURCES.glob("*.h"), *SOURCES.glob("*.ino")):
        if path.name.startswith("hw_"):
            continue
        text = code_of(path)

        assert "<avr/" not in text, path.name
        assert "<util/" not in text, path.name
        assert "hw_chip.h" not in text, path.name


def test_the_guard_can_be_read_in_one_sitting():
    lines = sum(len((SOURCES / name).read_text().splitlines()) for name in ("guard.h", "guard.cpp"))

    assert lines <= 420
