"""Stage kinds of one's own: declared, checked and reported as the shipped ones, and none of them arms by itself."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl import Context, Needs, Parameter, ReadingSpec, Role, Stage, Verdict, messages, open_bench, read_run
from benchctl.errors import UsageError
from benchctl.operate import Operation
from benchctl.procedure import own_stages
from benchctl.procedure.file import load, of_stages
from benchctl.safety.drive import Drive
from benchctl.safety.gate import Gate, HeldInterlock
from benchctl.safety.interlock import TABLE, Interlock, Locked, State
from benchctl.safety.wiring import Wiring
from benchctl.wire.catalogue import GuardState

EXAMPLE = Path(__file__).parents[2] / "firmware_probe" / "examples" / "own_stage" / "fan-start.toml"
MODULE = """
from benchctl import Context, Limit, Needs, Parameter, ReadingSpec, Role, Stage, messages

def perform(ctx: Context) -> None:
    for _ in range(ctx.count("looks")):
        ctx.read("vcc", ctx.board(Role.HAND).ask(messages.Vitals()).vcc_mv / 1000, "V")

STAGE = Stage("rest", "Supply at rest", "Touch nothing.", Needs(roles=(Role.HAND,), passed=("identity",)), perform,
    parameters=(Parameter("looks", 3, "looks", "", 1, 100),),
    measures=(ReadingSpec("vcc", "V", "supply", Limit(4.5, 5.5)),))
"""
PROCEDURE = 'name = "own"\nmodules = ["rest.py"]\n[[stage]]\nkind = "identity"\n[[stage]]\nkind = "rest"\n'


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., Path]:
    def write(module: str = MODULE, procedure: str = PROCEDURE) -> Path:
        (tmp_path / "rest.py").write_text(module)
        path = tmp_path / "own.toml"
        path.write_text(procedure)
        return path

    return write


def made(perform: Callable[[Context], None] = lambda ctx: None, **more: Any) -> Stage:
    given: dict[str, Any] = {"needs": Needs(roles=(Role.CRAFT,)), "measures": (ReadingSpec("x", "", "nothing"),), **more}
    return Stage("mine", "Mine", "Nothing.", given.pop("needs"), perform, **given)


# ---------------------------------------------------------------------- declared and reported as the shipped ones


def test_a_stage_from_a_module_runs_and_is_recorded(files: Callable[..., Path], tmp_path: Path) -> None:
    """Needs, parameters, limits, readings and record as of a shipped one."""
    path = files(procedure=PROCEDURE + "[stage.parameters]\nlooks = 2\n[stage.limits]\nvcc = {min = 5.2}\n")
    with open_bench("sim", seed=1, runs=tmp_path / "runs") as bench:
        run = bench.run(path)

    again = read_run(run.folder)
    assert again.stages == {"identity": Verdict.PASS, "rest": Verdict.FAIL}
    assert again.problems()[0].startswith("rest.vcc fail: ")
    assert "Supply at rest" in again.report("text")
    assert load(path).steps[1].after == ("identity",)


def test_the_procedures_sum_has_the_modules(files: Callable[..., Path]) -> None:
    """Two runs of one procedure file with another module beside it are not the same procedure."""
    before = load(files()).sha256

    assert load(files(MODULE + "\n# changed")).sha256 != before
    assert load(files()).sha256 == before


def test_a_stage_from_an_installed_package(monkeypatch: pytest.MonkeyPatch, files: Callable[..., Path]) -> None:
    """By the entry point whose name is the kind."""
    module = type(sys)("fan_house")
    module.STAGE = made()  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fan_house", module)
    points = [EntryPoint("mine", "fan_house:STAGE", own_stages.GROUP)]
    monkeypatch.setattr(own_stages, "entry_points", lambda group, name: [p for p in points if p.name == name])
    path = files(procedure='name = "own"\n[[stage]]\nkind = "mine"\n')

    assert load(path).steps[0].own
    points[0] = EntryPoint("mine", "fan_house:NOTHING", own_stages.GROUP)
    with pytest.raises(UsageError, match=r"stage 1\.kind, fan_house:NOTHING: AttributeError"):
        load(path)
    module.NOTHING = replace(made(), kind="other")  # type: ignore[attr-defined]
    with pytest.raises(UsageError, match="expected a stage of kind 'mine', as it is installed, got 'other'"):
        load(path)


@pytest.mark.parametrize(
    ("module", "procedure", "said"),
    [
        ("def", PROCEDURE, "modules, rest.py, line 1: SyntaxError"),
        ("import nothing_there", PROCEDURE, "rest.py, line 1: ModuleNotFoundError: No module named 'nothing_there'"),
        ("x = 1", PROCEDURE, "rest.py: expected a name STAGE that is a benchctl.Stage, or STAGES"),
        ("STAGES = [1]", PROCEDURE, "rest.py: expected a benchctl.Stage, got int"),
        (MODULE.replace('"rest"', '"identity"'), PROCEDURE, "kind: this is the name of a shipped stage"),
        (MODULE.replace('"rest"', '"re st"'), PROCEDURE, "kind: expected letters, digits and _"),
        (MODULE.replace(", perform,", ", 3,"), PROCEDURE, "perform: expected a function"),
        (MODULE.replace('"Supply at rest"', '""'), PROCEDURE, "title: expected a text"),
        (MODULE.replace('"vcc", "V", "supply"', '"vcc", "volt", "supply"'), PROCEDURE, "measures, vcc: unit: expected one of"),
        (MODULE.replace('("identity",)', '("identty",)'), PROCEDURE, "needs: 'identty' is no shipped stage"),
        (MODULE.replace("(Role.HAND,)", '("pilot",)'), PROCEDURE, "needs: expected Needs, its roles some of hand"),
        (MODULE.replace("    measures=", "    before_power=True, measures="), PROCEDURE, "before_power: these are for shipped"),
        (MODULE.replace("    measures=", "    spins=True, measures="), PROCEDURE, "it spins something, so its needs"),
        (MODULE, PROCEDURE.replace('"rest.py"', '"../rest.py"'), "expected a list of files beside the procedure"),
        (MODULE, PROCEDURE.replace('"rest.py"', '"no.py"'), "no.py: cannot be read"),
        (MODULE, PROCEDURE.replace('"rest"\n', '"rast"\n'), "unknown stage kind 'rast'; did you mean 'rest'"),
        (MODULE, PROCEDURE + "[stage.parameters]\nlooks = 0\n", "stage 2.parameters.looks: expected 1 to 100"),
    ],
)  # fmt: skip
def test_a_wrong_one_is_told_in_one_sentence_with_the_place(
    files: Callable[..., Path], module: str, procedure: str, said: str
) -> None:
    path = files(module, procedure)
    with pytest.raises(UsageError) as e:
        load(path)

    assert said in str(e.value)
    assert str(e.value).startswith(f"procedure {path}")
    assert "\n" not in str(e.value)


def test_a_bug_in_it_leaves_the_stage_undecided_and_the_run_whole(tmp_path: Path) -> None:
    """Named with its place, and not called a fault of benchctl's."""

    def perform(ctx: Context) -> None:
        raise TypeError("no such thing")

    with open_bench("sim", runs=tmp_path) as bench:
        run = bench.stage(made(perform))

    assert run.stages == {"mine": Verdict.UNDECIDED}
    assert "TypeError: no such thing" in run.why("mine")
    assert "none of benchctl's" in run.why("mine")
    assert "given up at test_own_stages:" in (run.folder / "events.jsonl").read_text("utf-8")


# ---------------------------------------------------------------------- it never arms by itself

TRIES: dict[str, Callable[[Context], Any]] = {
    "challenge": lambda ctx: ctx.board(Role.CRAFT).ask(messages.ArmChallenge(channel=2, radio=0)),
    "arm": lambda ctx: ctx.board(Role.CRAFT).ask(messages.Arm(channel=2, nonce=1, label="", cap_permille=100)),
    "throttle": lambda ctx: ctx.board(Role.CRAFT).ask(messages.Throttle(channel=2, permille=100, number=1)),
    "confirm": lambda ctx: ctx.board(Role.CRAFT).ask(messages.Output(channel=2, act=0)),
    "servo": lambda ctx: ctx.board(Role.CRAFT).ask(messages.Pulse(channel=1, width_us=1900)),
    "stick": lambda ctx: ctx.board(Role.HAND).ask(messages.StickSet(on=1, x=0, y=0)),
    "drive": lambda ctx: Drive(ctx, ctx.interlock, Role.CRAFT, 2).arm(),
    "wiring": lambda ctx: Wiring(ctx, ctx.interlock, Role.CRAFT).__enter__(),
    "attest": lambda ctx: ctx.interlock.attest("props_off", ctx.now()),
    "cap": lambda ctx: ctx.interlock.set_cap(0.3),
    "renew": lambda ctx: ctx.interlock.renew(),
}


def _attested_by_itself(ctx: Context) -> None:
    """An interlock of its own, attested by its own code."""
    own = Interlock()
    for statement in own.wanted:
        own.attest(statement.name, ctx.now())
    Drive(ctx, own, Role.CRAFT, 2).arm()


@pytest.mark.parametrize("name", [*TRIES, "own interlock"])
def test_what_arms_or_moves_does_not_leave(name: str, tmp_path: Path) -> None:
    """Each way that a copied line might go: Locked, the guard idle throughout, nothing harmed (the suite's own watch)."""
    attempt = TRIES.get(name, _attested_by_itself)
    seen: list[int] = []

    def perform(ctx: Context) -> None:
        with pytest.raises(Locked):
            attempt(ctx)
        seen.append(ctx.board(Role.CRAFT).ask(messages.GuardRead()).state)
        ctx.read("x", 1.0)

    with open_bench("confirmed-pair", seed=1, runs=tmp_path) as bench:
        run = bench.stage(made(perform, needs=Needs(roles=(Role.HAND, Role.CRAFT))))

    assert run.verdict is Verdict.PASS, run.problems()
    assert seen == [GuardState.IDLE]


def test_the_gate_is_gone_when_the_stage_has_ended(tmp_path: Path) -> None:
    """A shipped stage after it asks as ever."""
    with open_bench("confirmed-pair", seed=1, runs=tmp_path) as bench:
        bench.stage(made(lambda ctx: 1 / 0))  # type: ignore[arg-type,return-value]
        assert all(board.gate is None for board in bench._bench.boards.values())


@given(state=st.sampled_from(State), spins=st.booleans(), channel=st.integers(0, 6))
def test_the_gate_lets_through_only_what_the_interlock_stands_for(state: State, spins: bool, channel: int) -> None:
    """In every state of the table."""
    lock = Interlock()
    lock.state = state
    gate = Gate(Role.CRAFT, lock, spins=spins)
    may = {
        messages.ArmChallenge(channel=channel, radio=0): state is State.CLEARED,
        messages.Arm(channel=channel, nonce=1, label="", cap_permille=10): state is State.CHALLENGED,
        messages.Throttle(channel=channel, permille=1, number=1): state in (State.ARMED, State.LIVE),
    }
    assert set(TABLE) == set(State)
    for request, allowed in may.items():
        if spins and allowed and channel:
            gate(request)
        else:
            with pytest.raises(Locked):
                gate(request)
    with pytest.raises(Locked):
        gate(messages.Output(channel=channel, act=0))
    gate(messages.Stop(silent=0))
    gate(messages.Vitals())


def test_the_held_interlock_is_the_runs_own() -> None:
    """A stop or a lapse of the run is the stage's, and the other way round."""
    lock = Interlock()
    held = HeldInterlock(lock)
    lock.stop()
    assert held.state is State.STOPPED
    lock.renew()
    held.saw_idle(Role.CRAFT)
    assert "outputs have not been seen idle" not in " ".join(lock.obstacles(Role.CRAFT, 0.0))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"needs": replace(own_stages.RAMP, required=own_stages.RAMP.required[1:])}, "missing before_power"),
        ({"needs": replace(own_stages.RAMP, roles=(Role.CRAFT,))}, "missing hand"),
        ({"needs": replace(own_stages.RAMP, operator=False)}, "missing operator"),
        ({"needs": replace(own_stages.RAMP, wired=())}, "missing motor"),
        ({"parameters": ()}, "expected a parameter cap"),
        ({"parameters": (Parameter("cap", 20.0, "cap", "%", 1.0, 31.0),)}, "expected a parameter cap"),
    ],
)
def test_one_that_spins_needs_all_that_the_ramp_needs(change: dict[str, Any], said: str) -> None:
    good = {"needs": own_stages.RAMP, "parameters": (Parameter("cap", 20.0, "cap", "%", 1.0, 30.0),), "spins": True}
    own_stages.checked(made(**good), "here")

    with pytest.raises(UsageError, match=said):
        own_stages.checked(made(**{**good, **change}), "here")


def test_it_never_runs_by_itself_in_a_script() -> None:
    with pytest.raises(UsageError, match="mine needs an earlier stage of kind before_power"):
        of_stages("mine", [{"kind": "mine"}], [made(needs=own_stages.RAMP, spins=True,
                  parameters=(Parameter("cap", 20.0, "cap", "%", 1.0, 30.0),))])  # fmt: skip


@pytest.mark.long
def test_the_fan_controllers_start_up(tmp_path: Path) -> None:
    """The example, whole, on the modelled pair: the modelled person attests, then it is live, and idle at its end."""
    with open_bench("sim", seed=3, runs=tmp_path) as bench:
        run = bench.run(EXAMPLE).check()

    assert run.stages["fan_start"] is Verdict.PASS
    sag = run.reading("start_sag")
    assert sag.interval is not None
    assert sag.value in sag.interval
    record = (run.folder / "events.jsonl").read_text("utf-8")
    assert 0 < record.find('"stage":"esc_arming","what":"props_off"') < record.find('"stage":"fan_start","live":true')


@pytest.mark.long
def test_without_a_person_the_fan_stands_still(tmp_path: Path) -> None:
    """As on real boards without anybody at the terminal: not run, nothing live."""
    from benchctl import benches
    from benchctl.operators import NoOperator

    bench = benches.open_bench("sim", seed=3)
    try:
        result = Operation(load(EXAMPLE), bench, tmp_path, operator=NoOperator(), reports=False).perform()
    finally:
        bench.close()

    assert result.summary.stages["fan_start"].verdict is Verdict.NOT_RUN
    assert not result.summary.live_periods
