"""End points are taught in one order; whatever ends it, no motor turns: judged on the modelled controller and motor."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from helpers_bench import mudlark
from helpers_outputs import confirmed
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from needs import need_avr

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.errors import BoardError
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.sim import guard, probe_outputs
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import OutputAct

#: idle asks for 5 % throttle until it has been taught
UNTAUGHT = "[board.hand]\n[board.craft]\n[board.craft.esc.pulse2]\nmin_us = 950\nplugged = false\n"
REVERSIBLE = """name = "reversible"
[pair]
from = "mudlark"
[pair.board.craft.output.pulse2]
ways = "reversible"
idle_us = 1500
full_us = 1900
[board.craft.esc.pulse2]
reversible = true
plugged = false
[board.craft.motor.pulse2]
"""
STEPS = ("identity", "teach_esc", "esc_arming")


class Lesson:
    """One run, and the pulses that came to the controller while it had power: (time, width in µs)."""

    def __init__(self, folder: Path, text: str, kind: str = "sim", steps: tuple[str, ...] = ("teach_esc",)) -> None:
        folder.mkdir()
        file = folder / "bench.toml"
        file.write_text(confirmed(text if "[pair]" in text else mudlark(text, "taught")))
        self.bench: Any = benches.open_bench(str(file), kind=kind, seed=3)
        self.craft = self.bench.world.boards[Role.CRAFT]
        self.esc, self.motor = self.craft.escs["pulse2"], self.craft.motors["pulse2"]
        self.pulses: list[tuple[float, float, bool]] = []
        self.esc.told.append(lambda time, width: self.pulses.append((time, width, self.esc.powered)))
        whole = load(shipped.procedure("teach-motors"))
        kept = [replace(s, after=tuple(n for n in s.after if n in steps)) for s in whole.steps if s.name in steps]
        self.procedure = replace(whole, steps=tuple(kept))
        self.folder = folder
        self.run: Operation | None = None

    def perform(self, *readers: Callable[[ev.Event], None]) -> Result:
        self.run = Operation(self.procedure, self.bench, self.folder / "runs", readers=readers, reports=False)
        self.run.interlock.attest("supply_off", self.bench.now())  # for other work: it does not count for full
        return self.run.perform()

    def wide(self, powered: bool | None = None) -> list[tuple[float, float, bool]]:
        return [p for p in self.pulses if p[1] > 1400 and powered in (None, p[2])]


@pytest.fixture
def lesson(tmp_path: Path) -> Iterator[Callable[..., Lesson]]:
    made: list[Lesson] = []

    def start(text: str = UNTAUGHT, **more: Any) -> Lesson:
        made.append(Lesson(tmp_path / str(len(made)), text, **more))
        return made[-1]

    yield start
    for one in made:
        one.bench.close()


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_an_untaught_controller_is_taught_and_arms(lesson, kind: str) -> None:
    if kind == "avr":
        need_avr()
    one = lesson(kind=kind, steps=STEPS)
    one.esc.told.clear()  # idle, before it is taught, is what its description has for throttle
    one.esc.told.append(lambda time, width: one.pulses.append((time, width, one.esc.powered)))
    stages = one.perform().summary.stages

    assert {n: s.verdict for n, s in stages.items()} == dict.fromkeys(STEPS, Verdict.PASS)
    assert stages["teach_esc"].readings["taught"].value == 1
    assert one.esc.min_us == pytest.approx(1040, abs=2)
    assert one.esc.max_us == pytest.approx(1960, abs=2)
    assert one.motor.starts == []
    assert one.wide()[0][2] is False, "full came when the controller had power already"


def test_the_words_come_in_their_order(lesson) -> None:
    """Attested off, full goes out, only then the battery; at the end it is off again, and no harm was done."""
    one, said = lesson(), []
    one.perform(said.append)
    order = [
        e.what if isinstance(e, ev.Attestation) else e.action if isinstance(e, ev.Prompt) else "full"
        for e in said
        if (isinstance(e, ev.Prompt) and e.action != "attest")
        or isinstance(e, ev.Attestation)
        or (isinstance(e, ev.OutputsLive) and e.live)
    ]

    assert order[6:] == ["supply_off", "full", "plug_and_hear", "hear_start", "unplug_motor"]
    assert order[:2] == ["props_off", "held_down"]
    assert not one.bench.harm
    assert not one.esc.powered
    assert not one.run.interlock.valid("supply_off", one.bench.now()), "attested before the battery was asked for"


def test_a_reversible_controller_is_taught_both_ways_and_neutral_last(lesson) -> None:
    one = lesson(REVERSIBLE)
    stage = one.perform().summary.stages["teach_esc"]

    assert stage.verdict is Verdict.PASS, stage.reason
    assert [width for width, _ in groupby(round(w, -1) for _, w, _ in one.pulses)] == [1500, 1900, 1100, 1500]
    assert one.esc.max_us == pytest.approx(1860, abs=2)
    assert one.motor.starts == []
    assert not one.bench.harm


def on_prompt(action: str) -> Callable[[ev.Event], bool]:
    return lambda e: isinstance(e, ev.Prompt) and e.action == action


MOMENTS: dict[str, Callable[[ev.Event], bool]] = {
    "attested": lambda e: isinstance(e, ev.Attestation) and e.what == "supply_off",
    "full goes out": lambda e: isinstance(e, ev.OutputsLive) and e.live,
    "battery asked for": on_prompt("plug_and_hear"),
    "tones heard": lambda e: isinstance(e, ev.ReadingTaken) and e.reading.name == "full_taken",
    "backward taken": lambda e: isinstance(e, ev.ReadingTaken) and e.reading.name == "backward_taken",
    "idle shown": on_prompt("hear_start"),
    "taught": lambda e: isinstance(e, ev.ReadingTaken) and e.reading.name == "taught",
    "battery off again": on_prompt("unplug_motor"),
}


@pytest.mark.harm("pulse")
@pytest.mark.parametrize("late", [0.0, pytest.param(0.7, marks=pytest.mark.long)], ids=["at once", "later"])
@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize(
    "text", [UNTAUGHT, pytest.param(REVERSIBLE, marks=pytest.mark.long)], ids=["one-way", "reversible"]
)
def test_a_stop_in_any_step_leaves_no_turning_motor(lesson, text: str, moment: str, late: float) -> None:
    """Also when the battery comes only then: stopped before idle, no pulse follows."""
    one = lesson(text)
    agenda, stopped = one.bench.world.agenda, []

    def stop() -> None:
        one.run.stop("key")
        stopped.append(agenda.now)

    def watch(event: ev.Event) -> None:
        if not stopped and MOMENTS[moment](event):
            agenda.after(late, stop) if late else stop()

    result = one.perform(watch)
    if not stopped:
        assert (text, moment) == (UNTAUGHT, "backward taken") or late
        return
    one.bench.close()
    agenda.run_to(agenda.now + 0.2)
    one.craft.plug_motor(True, agenda.now)
    agenda.run_to(agenda.now + 4.0)

    assert result.verdict is Verdict.UNDECIDED
    assert one.motor.starts == []
    assert not [p for p in one.pulses if p[0] > stopped[0] + 0.15], "a pulse after the stop"
    assert not [p for p in one.wide() if p[0] > stopped[0] + 0.025 and p[1] > 1600]
    assert all(
        e.kind is HarmKind.PULSE and e.worst <= 51 for e in one.bench.harm.entries
    )  # idle, to whom it is not taught yet


def test_without_the_attestation_no_full_pulse(lesson) -> None:
    one = lesson(UNTAUGHT + '[operator]\nsays_no = ["supply_off"]\n')
    stage = one.perform().summary.stages["teach_esc"]

    assert stage.verdict is Verdict.UNDECIDED
    assert "not attested: The motors' battery is unplugged" in stage.reason
    assert one.wide() == []


@pytest.mark.harm("pulse")  # it is what the false word does
def test_a_false_attestation_turns_no_motor(lesson) -> None:
    """The battery was in all the time and the controller armed: silence disarms it before full goes out."""
    text = (
        '[board.hand]\n[board.craft]\n[board.craft.esc.pulse2]\nlost_s = 2.0\n[operator]\nonly_says = ["supply_off"]\n'
    )
    one = lesson(text)
    one.perform()

    assert one.wide(powered=True), "no full pulse came to a controller with power"
    assert one.motor.starts == []
    assert {e.kind for e in one.bench.harm.entries} == {HarmKind.PULSE}


@pytest.mark.parametrize(
    ("more", "reading", "words"),
    [
        ("teachable = false\n", "full_taken", "gave no tones"),
        ("reversible = true\n", "taught", "has taken full, but not idle"),
        ("needs_arming = false\nteachable = false\n", "full_taken", "a motor turned"),
    ],
    ids=["fixed end points", "other kind", "turns"],
)
@pytest.mark.harm("pulse", "turning")
def test_what_is_not_taught_is_said_and_gets_no_pulse(lesson, more: str, reading: str, words: str) -> None:
    """The last has no arming at all: it turns at once, and the pulses are taken away as a person says so."""
    one = lesson(UNTAUGHT.replace("plugged", f"{more}plugged"))
    stage = one.perform().summary.stages["teach_esc"]

    assert stage.verdict is Verdict.FAIL
    assert stage.readings[reading].value == 0
    assert words in stage.reason
    last = one.pulses[-1][0]
    one.bench.wait(2.0)
    assert one.pulses[-1][0] == last


@pytest.mark.long
def test_several_controllers_are_taught_one_after_the_other(lesson) -> None:
    four = (Path(shipped.__file__).parent / "data" / "benches" / "four-motors.toml").read_text("utf-8")
    one = lesson(four)
    stage = one.perform().summary.stages["teach_esc"]

    assert stage.verdict is Verdict.PASS, stage.reason
    assert [n for n in stage.readings if n.endswith("taught")] == [f"output{n}.taught" for n in range(2, 6)]
    assert all(m.starts == [] for m in one.craft.motors.values())
    assert not one.bench.harm


ACTS = (OutputAct.FULL, OutputAct.FULL, OutputAct.REST, OutputAct.REST, OutputAct.BACKWARD, OutputAct.TRY)
ACTS += ("battery in", "stop", "wire", "nothing")
#: the right one, and wrong ones
BEGINNINGS: tuple[list[tuple[Any, float]], ...] = (
    [("wire", 2.6)],
    [("wire", 0.1)],
    [("wire", 2.6), (OutputAct.TRY, 0.6)],
    [("stop", 2.6)],
)


@settings(max_examples=12, deadline=None, derandomize=True, phases=(Phase.explicit, Phase.generate))
@example(first=[("wire", 2.6)], steps=[("nothing", 0.6)])
@given(
    first=st.sampled_from(BEGINNINGS),
    steps=st.lists(st.tuples(st.sampled_from(ACTS), st.sampled_from((0.1, 0.6, 2.6))), max_size=6),
)
def test_in_any_order_no_motor_turns(first: list[tuple[Any, float]], steps: list[tuple[Any, float]]) -> None:
    """Raw requests, each kept up for a time; battery off as the wiring is opened, put in at any moment after full.

    The board itself keeps the order: judged on the motor, the harm log and every pulse.
    """
    bench: Any = benches.open_bench("confirmed-pair", kind="sim", seed=5)
    try:
        craft, board = bench.world.boards[Role.CRAFT], bench.boards[Role.CRAFT]
        board.open()
        label, full = board.identify().label, False
        for act, seconds in (*first, (OutputAct.FULL, 0.1), ("battery in", 0.1), *steps):
            until = bench.now() + seconds
            with suppress(BoardError):
                if act == "battery in" and full and not craft.escs["pulse2"].powered:
                    craft.plug_motor(True, bench.now())
                elif act == "stop":
                    board.ask(msg.Stop(silent=0))
                elif act == "wire":
                    craft.plug_motor(False, bench.now())
                    full = False
                    nonce = board.ask(msg.ArmChallenge(channel=0, radio=0)).nonce
                    board.ask(msg.Arm(channel=0, nonce=nonce, label=label, cap_permille=0))
                while isinstance(act, OutputAct) and bench.now() < until:
                    board.ask(msg.Output(channel=2, act=act))
                    full = full or act is OutputAct.FULL
                    bench.wait(0.1)
            bench.wait(max(0.02, until - bench.now()))
        bench.wait(0.5)
        assert craft.motors["pulse2"].starts == []
        assert bench.world.watched.complaints(set(), False) == []
    finally:
        bench.close()


@pytest.mark.long
@pytest.mark.harm("pulse", "turning")
@pytest.mark.pulses("the guards here are defective")
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("act < self._taught or channel", "channel"),
        ("act == OutputAct.FULL and _older(now, self._throttle_at, UNHEARD_MS)", "act >= OutputAct.FULL"),
        ("self._taught = _TRIED", "self._taught = 0"),
        ("if _older(now, self._throttle_at, KEEP_ALIVE_MS):", "if self.armed and _older(now, self._throttle_at, KEEP_ALIVE_MS):"),
    ],
    ids=["back to full", "full at once", "full after a try", "not kept up"],
)
def test_a_guard_that_keeps_another_order_is_noticed(old: str, new: str, monkeypatch: pytest.MonkeyPatch) -> None:
    source = Path(guard.__file__).read_text("utf-8")
    assert source.count(old) == 1
    scope: dict[str, Any] = {"__name__": "benchctl.sim.guard"}
    exec(compile(source.replace(old, new), guard.__file__, "exec"), scope)
    monkeypatch.setattr(probe_outputs, "Guard", scope["Guard"])

    with pytest.raises(AssertionError):
        test_in_any_order_no_motor_turns()
