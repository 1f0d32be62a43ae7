"""A board is unplugged while a motor may turn, and plugged in again: the stage does not go on, and never passes.

What must hold is read off the motor controller's signal and the run's events; nothing here asks a board.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "stages"))

from motor_run import MOTOR, motor_procedure, operation
from needs import need_avr

from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.session.board import setting_bytes
from benchctl.stages.kinds import KINDS
from benchctl.terms import Role, Verdict
from benchctl.wire.catalogue import SETTING_BY_NAME

#: the board's own keep-alive or silence limit, one frame, and a margin for what was on its way
WITHIN_S = 0.275
AWAY_S, LOOK_S = 0.4, 0.05


def agenda_of(run: Operation) -> Any:
    bench: Any = run.bench
    return bench.world.agenda


def esc_of(run: Operation) -> Any:
    bench: Any = run.bench
    return bench.world.boards[Role.CRAFT].escs["pulse2"]


class Puller:
    """Once outputs are live, and the motor turns where the stage turns it, the board goes; soon after it comes back.

    A reader of the run. at: when it went; live: stages in which outputs went live after that.
    """

    def __init__(self, role: Role, how: str, turns: bool) -> None:
        self.role, self.how, self.turns = role, how, turns
        self.run: Operation
        self.at = 0.0
        self.live: list[str] = []

    def __call__(self, event: ev.Event) -> None:
        if isinstance(event, ev.OutputsLive) and event.live:
            if self.at:
                self.live.append(event.stage)
            else:
                agenda_of(self.run).after(LOOK_S, self._look)

    def _look(self) -> None:
        above = esc_of(self.run).above_idle
        if self.turns and not above:
            agenda_of(self.run).after(LOOK_S, self._look)
        elif not self.at:
            self.at = agenda_of(self.run).now
            self.plug(False)
            agenda_of(self.run).after(AWAY_S, self.plug, True)

    def plug(self, there: bool) -> None:
        bench: Any = self.run.bench
        if self.how == "cable":
            bench.ports[self.role].plug(there)
        elif there:
            bench.world.power_on(self.role)
        else:
            bench.world.power_off(self.role)


@pytest.fixture
def pulled(tmp_path: Path) -> Iterator[Any]:
    """pulled(kind, stage, role, how): the run, its result and the reader."""
    made: list[Operation] = []

    def perform(kind: str, stage: str, role: Role, how: str) -> tuple[Operation, Any, Puller]:
        if kind == "avr":
            need_avr()
        puller = Puller(role, how, turns=stage != "esc_arming")
        run = puller.run = operation(tmp_path, kind=kind, procedure=motor_procedure((stage,)), readers=[puller])
        made.append(run)
        return run, run.perform(), puller

    yield perform
    for one in made:
        one.bench.close()


#: a cable alone is pulled where a board has a supply of its own; on avr, cable and supply are one
WAYS = (("sim", "cable"), ("sim", "supply"), ("avr", "supply"))


@pytest.mark.parametrize("role", [Role.CRAFT, Role.HAND])
@pytest.mark.parametrize("stage", MOTOR)
@pytest.mark.parametrize(("kind", "how"), WAYS)
def test_a_motor_stage_ends_without_going_on(
    pulled, request: pytest.FixtureRequest, kind: str, how: str, stage: str, role: Role
) -> None:
    if (how, role) == ("supply", Role.HAND):
        request.node.add_marker(pytest.mark.harm("fed"))  # it loses its supply with a jumper in place
    run, result, puller = pulled(kind, stage, role, how)
    assert puller.at, "outputs were never live"
    run.bench.wait(AWAY_S + 0.5)

    ended = result.summary.stages[stage]
    assert ended.verdict in (Verdict.UNDECIDED, Verdict.FAIL), (ended.verdict, ended.reason)
    assert ended.reason
    assert result.verdict is not Verdict.PASS
    assert puller.live == []
    late = [at for at, _ in esc_of(run).above_idle if at > puller.at + WITHIN_S]
    assert late == []


@pytest.mark.parametrize("role", [Role.CRAFT, Role.HAND])
def test_what_was_attested_does_not_outlive_a_cable(tmp_path: Path, role: Role) -> None:
    """The board never restarts; all the same, the next motor stage has every statement attested anew."""
    procedure = motor_procedure(("esc_arming", "throttle_ramp"))
    procedure = replace(procedure, steps=tuple(replace(step, after=()) for step in procedure.steps))
    puller, heard = Puller(role, "cable", turns=False), []

    def back(event: ev.Event) -> None:
        if isinstance(event, ev.StageEnded):
            puller.plug(True)

    run = puller.run = operation(tmp_path, procedure=procedure, readers=[puller, back, heard.append])
    try:
        result = run.perform()
    finally:
        run.bench.close()
    attested = [e for e in heard if isinstance(e, ev.Attestation) and e.accepted and e.stage == "throttle_ramp"]

    assert result.summary.stages["esc_arming"].verdict is Verdict.UNDECIDED
    assert result.summary.stages["throttle_ramp"].verdict is Verdict.PASS
    assert {e.what for e in attested} == {s.name for s in run.interlock.wanted}
    assert not [e for e in heard if isinstance(e, ev.BoardReset) and e.t > puller.at]


#: its board is silent in all but two moments, and each of its moments is stopped in test_teach_esc.py
TAUGHT = {"teach_esc"}


def test_every_stage_that_can_spin_is_looked_at() -> None:
    assert {kind for kind, stage in KINDS.items() if stage.spins} - TAUGHT == set(MOTOR)


def test_two_boards_lost_at_once_are_each_lost_by_their_own_port(tmp_path: Path) -> None:
    heard: list[ev.Event] = []

    def both(event: ev.Event) -> None:
        if isinstance(event, ev.StageStarted):
            bench: Any = run.bench
            for role in Role.HAND, Role.CRAFT:
                agenda_of(run).after(AWAY_S, bench.ports[role].plug, False)

    run = operation(tmp_path, procedure=motor_procedure(("esc_arming",)), readers=[both, heard.append])
    try:
        run.perform()
        names = {role: port.name for role, port in run.bench.ports.items()}  # type: ignore[attr-defined]
    finally:
        run.bench.close()
    lost = {e.role: e.reason for e in heard if isinstance(e, ev.BoardLost)}

    assert set(lost) == {Role.HAND, Role.CRAFT}
    assert all(names[role] in reason for role, reason in lost.items())


class Reflash:
    """Behind a stage the craft is what `change` makes of it."""

    def __init__(self, stage: str, change: Any) -> None:
        self.stage, self.change = stage, change
        self.run: Operation

    def __call__(self, event: ev.Event) -> None:
        if isinstance(event, ev.StageEnded) and event.stage == self.stage:
            bench: Any = self.run.bench
            self.change(bench.chips[Role.CRAFT])


@pytest.mark.parametrize("what", ["image", "label", "nothing"])
def test_passes_count_only_for_the_same_image_and_label(tmp_path: Path, what: str) -> None:
    """A craft that has another image, or is another one, does not go on with what was passed before."""

    def change(chip: Any) -> None:
        if what == "image":
            chip.probe.chip.image = chip.probe.chip.image._replace(crc=0x0BADCAFE)
        if what == "label":
            setting = SETTING_BY_NAME["label"]
            chip.probe.settings.write(setting.key, setting_bytes(setting, "mudlark-craft-02"))

    reader = Reflash("esc_arming", change)
    run = reader.run = operation(
        tmp_path, procedure=motor_procedure(("esc_arming", "throttle_ramp")), readers=[reader]
    )
    try:
        result = run.perform()
    finally:
        run.bench.close()
    ramp = result.summary.stages["throttle_ramp"]

    assert result.summary.stages["esc_arming"].verdict is Verdict.PASS
    if what == "nothing":
        assert ramp.verdict is Verdict.PASS
    else:
        assert ramp.verdict is Verdict.NOT_RUN
        assert ramp.reason.startswith("needs ESC arming again: the craft board is another one")
        assert esc_of(run).above_idle == []
