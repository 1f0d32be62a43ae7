"""USB and a battery on one rail: what to lift is said before, and a controller that feeds back is found."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_bench import mudlark
from helpers_outputs import confirmed
from motor_run import motor_procedure

from benchctl.benchfile import parse
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.operate import Operation, Result
from benchctl.sim.bench import SimBench

JOINED = "[board.hand]\n[board.craft]\nusb_apart = false\n[board.craft.esc.pulse2]\nplugged = false\n"
NOT_APART = "\n[pair.board.craft.supply]\nusb_apart = false\n"


def arm(text: str, folder: Path) -> tuple[SimBench, Result]:
    bench = SimBench(parse(mudlark(confirmed(text)).encode()))
    result = Operation(motor_procedure(("esc_arming",)), bench, folder).perform()
    bench.close()
    return bench, result


def asked(bench: SimBench) -> list[str]:
    return [action for _, action, _ in bench.world.operator.did]


def test_where_they_are_apart_nothing_is_lifted(tmp_path: Path) -> None:
    """Said to be apart, and so it is: nothing is asked for, the supply does not rise, nothing is fed back."""
    bench, result = arm("[board.hand]\n[board.craft]\n", tmp_path)
    assert "lift_red" not in asked(bench)
    assert result.summary.stages["esc_arming"].reason == ""
    assert not bench.harm


@pytest.mark.harm("back-fed")
def test_said_to_be_apart_but_joined_is_found(tmp_path: Path) -> None:
    """150 mA back into the source's 0.25 Ω lift the rail by 38 mV: the stage fails by it, and the finding says why."""
    bench, result = arm(JOINED, tmp_path)
    assert bench.harm.kinds == {HarmKind.BACK_FED}
    assert "feeds back into USB" in result.summary.stages["esc_arming"].reason
    assert [f.cause for f in result.summary.findings][:1] == ["fed_back"]


def test_where_they_are_not_apart_the_red_wire_is_lifted_first(tmp_path: Path) -> None:
    """Declared as joined: asked for before the battery, and nothing is fed back."""
    bench, result = arm(JOINED + NOT_APART, tmp_path)
    did = asked(bench)
    assert did.index("lift_red") < did.index("plug_motor")
    assert not bench.harm
    assert result.summary.stages["esc_arming"].reason == ""
