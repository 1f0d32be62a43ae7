"""A real board that is not there yet is asked for, and the run goes on by itself when it answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from helpers import IDENTIFY, Collected, FakeBench, ScriptedOperator, answer

from benchctl import events as ev
from benchctl.ports.absent import AbsentPort
from benchctl.procedure.file import Procedure, Step
from benchctl.procedure.plug_in import PLUG_IN_S
from benchctl.procedure.runner import Runner
from benchctl.safety.attestation import Statement
from benchctl.safety.attesting import confirmed
from benchctl.stages.contract import Context, Needs, Stage
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.base import Msg


def look(ctx: Context) -> None:
    ctx.read("seen", 1)


STAGE = Stage("look", "Look", "", Needs(roles=(Role.HAND,)), look)


def script(asked: Msg) -> Iterable[bytes]:
    return [answer(asked, **IDENTIFY)] if isinstance(asked, msg.Identify) else []


class LateBench(FakeBench):
    """A real bench whose board is plugged in at the third look, or never."""

    kind, simulated = "ports", False

    def __init__(self, comes: int) -> None:
        super().__init__({Role.HAND: script})
        self.comes, self.looks = comes, 0
        self.boards[Role.HAND].port = AbsentPort("", "not plugged in yet")

    def reopen(self, role: Role, seconds: float = 0.0) -> bool:
        self.looks += 1
        if self.looks < self.comes:
            return False
        self.boards[role].port = self.ports[role]
        return True


def run(bench: FakeBench, by: str) -> tuple[Verdict, Collected, ScriptedOperator]:
    """The stage's verdict, what was told, and what was asked."""
    bench.operator = person = ScriptedOperator(lambda prompt: None)
    person.by = by
    heard = Collected()
    step = Step("look", STAGE, (), False, {}, {})
    runner = Runner(Procedure("p", "P", "", (step,), ""), bench, heard)
    runner.run()
    return runner.verdicts["look"], heard, person


def test_it_is_asked_for_and_the_run_goes_on() -> None:
    """The person is asked once, and does not have to answer."""
    verdict, heard, person = run(LateBench(3), "person")

    assert verdict is Verdict.PASS
    assert [p.action for p in person.shown] == ["plug_in"]
    assert [e.role for e in heard.of(ev.BoardSeen)] == [Role.HAND]


def test_who_never_plugs_it_in_loses_the_stage_only() -> None:
    """After a quarter of an hour the stage is not run, with the reason."""
    bench = LateBench(10**9)

    verdict, heard, _ = run(bench, "person")

    assert verdict is Verdict.NOT_RUN
    assert PLUG_IN_S <= bench.now() < PLUG_IN_S + 10
    assert "not plugged in yet" in heard.of(ev.StageEnded)[0].reason


@pytest.mark.parametrize("by", ["none", "file"])
def test_nobody_there_is_not_waited_for(by: str) -> None:
    """Without a person at the bench nothing is asked."""
    bench = LateBench(3)

    verdict, _, person = run(bench, by)

    assert verdict is Verdict.NOT_RUN
    assert person.shown == []


# ---------------------------------------------------------------------- a board without the right program


class BareBench(LateBench):
    """Its board has nothing but a boot loader until it is flashed."""

    def __init__(self) -> None:
        super().__init__(10**9)
        self.boards[Role.HAND].port = AbsentPort("", "a boot loader answers at 57600 Bd", "/dev/ttyUSB3")

    def flash(self, port: str, progress: object) -> str:
        self.comes = 0
        return f"{port}: programmed"


@pytest.mark.parametrize(("answer_", "verdict"), [("yes", Verdict.PASS), ("no", Verdict.NOT_RUN)])
def test_flashing_is_offered_once(answer_: str, verdict: Verdict) -> None:
    """Where a boot loader answers the person is asked; after yes the run goes on, after no it is not asked again."""
    bench = BareBench()
    bench.operator = person = ScriptedOperator(lambda prompt: answer_ if prompt.action == "flash" else None)
    person.by = "person"
    heard = Collected()
    step = Step("look", STAGE, (), False, {}, {})
    runner = Runner(Procedure("p", "P", "", (step,), ""), bench, heard, flash=bench.flash)
    runner.run()

    assert runner.verdicts["look"] is verdict
    assert [p.action for p in person.shown] == ["plug_in", "flash"]
    assert "/dev/ttyUSB3" in [p.detail for p in person.shown if p.action == "flash"]
    assert ("/dev/ttyUSB3: programmed" in [e.text for e in heard.of(ev.Note)]) == (answer_ == "yes")


def test_a_board_that_answers_contradicts_that_nothing_is_plugged_in() -> None:
    """The right word is not taken while a board answers; once it is unplugged the same statement is accepted."""
    there = ["/dev/ttyUSB0: hand board mudlark-hand-01"]

    class Plugged(FakeBench):
        def plugged_in(self) -> list[str]:
            return [there.pop()] if there else []

    bench, heard = Plugged({}), Collected()
    bench.operator = person = ScriptedOperator(lambda prompt: prompt.detail.split()[-1])
    ctx = Context("x", bench, {}, {}, heard)
    unpowered = Statement("unpowered", "Nothing is plugged in.")

    assert confirmed(ctx, [unpowered], lambda name, now: now, against=bench.plugged_in)
    assert len(person.shown) == 2
    assert person.shown[1].text.startswith("This is not so: /dev/ttyUSB0: hand board mudlark-hand-01.")
    assert [e.accepted for e in heard.of(ev.Attestation)] == [True]


def test_a_board_that_is_pulled_out_is_asked_for_again() -> None:
    """Between two stages a board goes; it is asked for, comes back, and the second stage runs."""
    bench = LateBench(0)
    bench.boards[Role.HAND].port = bench.ports[Role.HAND]
    bench.operator = person = ScriptedOperator(lambda prompt: None)
    person.by = "person"

    def pull(ctx: Context) -> None:
        ctx.read("seen", 1)
        bench.boards[Role.HAND].port = AbsentPort("", "the port is gone")
        bench.looks, bench.comes = 0, 4

    steps = [Step("pull", replace(STAGE, perform=pull), (), False, {}, {}), Step("look", STAGE, (), False, {}, {})]
    runner = Runner(Procedure("p", "P", "", tuple(steps), ""), bench, Collected())
    runner.run()

    assert runner.verdicts["look"] is Verdict.PASS
    assert [p.text.partition(":")[0] for p in person.shown] == ["The hand unit mudlark-hand-01 has gone"]
