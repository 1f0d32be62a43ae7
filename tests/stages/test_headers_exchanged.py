"""Servo and motor controller plugged into each other's headers: nothing turns the motor, whatever procedure is run."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_bench import mudlark
from needs import need_avr

from benchctl import benches, shipped
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.terms import Role

EXCHANGED = '[board.hand]\n[board.craft]\n[board.craft.pins]\npulse1 = "D10"\npulse2 = "D9"\n'
PROCEDURES = ("bring-up", "no-motor", "regression", "soak", "fault-hunt")


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        *(pytest.param("sim", name, marks=[] if name == "bring-up" else pytest.mark.long) for name in PROCEDURES),
        pytest.param("avr", "bring-up", marks=pytest.mark.long),
    ],
)
def test_no_procedure_turns_the_motor(kind: str, name: str, tmp_path: Path) -> None:
    """As declared, output 1 drives a servo; its pulses go to the motor controller. The harm log stays empty."""
    if kind == "avr":
        need_avr()
    file = tmp_path / "exchanged.toml"
    file.write_text(mudlark(EXCHANGED, "exchanged"), "utf-8")
    bench = benches.open_bench(str(file), kind=kind)
    try:
        Operation(load(shipped.procedure(name)), bench, tmp_path, reports=False).perform()
        motor = bench.world.boards[Role.CRAFT].motors["pulse2"]  # type: ignore[attr-defined]
        assert motor.starts == []
        assert not bench.harm  # type: ignore[attr-defined]
    finally:
        bench.close()
