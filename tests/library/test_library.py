"""The public names: examples as printed, outputs idle whatever happens, nothing that arms, light to import."""

from __future__ import annotations

import doctest
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import benchctl
from benchctl import BenchctlError, UsageError, messages, open_bench, read_run
from benchctl.library import opened
from benchctl.library.guide import PYTHON
from benchctl.operators import PersonOperator
from benchctl.safety.interlock import Locked
from benchctl.wire.catalogue import GuardState


@pytest.fixture(scope="module")
def link(tmp_path_factory: pytest.TempPathFactory) -> benchctl.Run:
    with open_bench("sim", seed=5, runs=tmp_path_factory.mktemp("runs")) as bench:
        return bench.stage("radio_link", least=200, limits={"round_trip_p50": {"max": 1.0}})


def test_the_manuals_examples_give_what_they_say() -> None:
    """`benchctl help python`: every example is run, its output compared."""
    examples = doctest.DocTestParser().get_doctest(PYTHON, {}, "python", None, 0)
    said: list[str] = []
    result = doctest.DocTestRunner(verbose=False).run(examples, out=said.append)

    assert result.attempted >= 20
    assert result.failed == 0, "".join(said)[:2000]


def test_every_public_name_is_there_and_every_other_is_not() -> None:
    for name in benchctl.__all__:
        assert getattr(benchctl, name) is not None
    assert set(benchctl.__all__) == {*benchctl._FROM, "__version__"}
    assert dir(benchctl) == sorted(benchctl.__all__)
    with pytest.raises(AttributeError, match="no attribute 'Bench'"):
        benchctl.Bench  # noqa: B018


def test_the_import_is_light() -> None:
    """What the command line and its help wait for stays as it was."""
    heavy = ("numpy", "scipy", "serial", "textual", "matplotlib")
    code = f"import sys, benchctl, benchctl.cli; print([m for m in {heavy!r} if m in sys.modules])"

    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


# ---------------------------------------------------------------------- runs


def test_a_run_is_told_by_reading_interval_and_limit(link: benchctl.Run) -> None:
    with pytest.raises(AssertionError) as e:
        link.check()

    text = str(e.value)
    assert link.verdict is benchctl.Verdict.FAIL
    (line,) = [one for one in text.splitlines() if one.startswith("radio_link.round_trip_p50 fail: ")]
    assert "(" in line
    assert "limit at most 1" in line
    assert str(link.folder) in text


def test_a_run_read_back_is_the_run(link: benchctl.Run) -> None:
    """Readings and tables come from the record; a data frame takes the columns as they are."""
    again = read_run(link.folder)
    table = again.table("hand_to_craft_single")

    assert again.readings() == link.readings()
    assert again.verdict is link.verdict
    assert len(table) == len(table["lost"]) > 0
    assert set(table.units) == set(table.columns)
    assert set(np.unique(table["lost"])) <= {0.0, 1.0}
    columns = again.readings_table()
    assert len({len(c) for c in columns.values()}) == 1
    at = columns["reading"].index("hand_to_craft.loss")
    assert columns["low"][at] <= columns["value"][at] <= columns["high"][at]


def test_what_is_not_there_is_said_with_what_is(link: benchctl.Run) -> None:
    with pytest.raises(UsageError, match="reading 'los' is not there; there are radio_link"):
        link.reading("los")
    with pytest.raises(UsageError, match=r"table 'x' is not there; there are radio_link\."):
        link.table("x")
    with pytest.raises(UsageError, match="no stage 'link'; there are radio_link"):
        link.why("link")
    with pytest.raises(UsageError, match="is no run folder"):
        read_run(link.folder / "no")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ({"images": {"hand": "x.elf"}}, "needs a bench of kind avr"),
        ({"labels": {"pilot": "x"}}, "expected roles out of hand, craft, gauge, got 'pilot'"),
        ({"name": "nowhere"}, "nowhere"),
    ],
)
def test_a_wrong_bench_is_one_sentence(call: dict, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        open_bench(**call)


def test_a_wrong_stage_is_one_sentence(tmp_path: Path) -> None:
    with open_bench("sim", runs=tmp_path) as bench:
        for call, said in (
            ({"kind": "radio_lnk"}, "did you mean 'radio_link'"),
            ({"kind": "radio_link", "lest": 3}, "unknown key 'lest'"),
            ({"kind": "radio_link", "limits": {"los": {"max": 1}}}, "takes no reading 'los'"),
            ({"kind": "radio_link", "limits": {"loss": 3}}, "expected benchctl.Limit"),
            ({"kind": "throttle_ramp"}, "needs an earlier stage of kind before_power"),
        ):
            with pytest.raises(UsageError, match=said):
                bench.stage(**call)
    with pytest.raises(UsageError, match="is closed"):
        bench.stage("identity")


# ---------------------------------------------------------------------- nothing arms, everything ends idle


def test_nothing_that_arms_or_moves_is_asked_outside_a_run() -> None:
    """Every request of the catalogue that leads to a pulse above idle, by name."""
    with open_bench("confirmed-pair", seed=1) as bench:
        craft = bench.board("craft")
        for request in (
            messages.ArmChallenge(channel=2, radio=0),
            messages.ArmChallenge(channel=0, radio=0),
            messages.Arm(channel=2, nonce=1, label="", cap_permille=100),
            messages.Throttle(channel=2, permille=100, number=1),
            messages.Output(channel=1, act=0),
            messages.Pulse(channel=1, width_us=1500),
            messages.StickSet(on=1, x=0, y=0),
        ):
            with pytest.raises(Locked):
                craft.ask(request)
        assert craft.ask(messages.GuardRead()).state == GuardState.IDLE


def test_no_operator_can_be_handed_in() -> None:
    """On real boards it would be a script that types the words back; the terminal is the only way to a person."""
    with pytest.raises(TypeError):
        open_bench("sim", operator=PersonOperator())  # type: ignore[call-arg]
    with pytest.raises(UsageError, match="expected a terminal"):
        open_bench("sim", person=True)


def test_real_boards_have_nobody_unless_a_person_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    class Real:
        simulated, boards, name, operator = False, {}, "ports", None

        def close(self) -> None: ...

    monkeypatch.setattr(opened.benches, "open_bench", lambda *a, **k: Real())
    bench = open_bench("ports")

    assert bench._bench.operator.by == "none"
    bench.close()


def test_an_exception_leaves_outputs_idle(tmp_path: Path) -> None:
    worlds = []

    def fails() -> None:
        with open_bench("sim", seed=1, runs=tmp_path) as bench:
            bench.board("craft").identify()
            worlds.append((bench, bench._bench.world))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    bench, world = worlds[0]
    assert bench.closed
    assert world.watched.stops, "the stop has been told"


def test_a_forgotten_bench_is_closed() -> None:
    """Without `with`: when nobody has it any more, at the latest at the interpreter's end."""
    bench = open_bench("sim")
    ended, inner = bench._end, bench._bench
    inner.world.watched.stops.clear()
    del bench

    assert not ended.alive
    assert inner.world.watched.stops, "the stop has been told"


_KILLED = """
import sys, time
from benchctl import open_bench
from benchctl.sim.bench import SimBench
close = SimBench.close
SimBench.close = lambda self: (close(self), print("closed", flush=True))
with open_bench("sim"):
    print("open", flush=True)
    time.sleep(600)
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_that_ends_the_process_closes_the_bench_first(number: int) -> None:
    with subprocess.Popen([sys.executable, "-c", _KILLED], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        process.send_signal(number)
        out, _ = process.communicate(timeout=60)

    assert out == b"closed\n"
    assert process.returncode != 0


def test_signals_that_somebody_else_takes_are_left() -> None:
    taken: list[int] = []
    before = signal.signal(signal.SIGTERM, lambda *_: taken.append(1))
    try:
        with open_bench("sim"):
            signal.raise_signal(signal.SIGTERM)
    finally:
        signal.signal(signal.SIGTERM, before)

    assert taken == [1]


def test_a_stop_ends_the_run_and_is_final(tmp_path: Path) -> None:
    """From inside a stage of one's own, as another thread would do it."""
    def perform(ctx: benchctl.Context) -> None:
        bench.stop()
        ctx.wait(1.0)

    stage = benchctl.Stage("stopping", "Stopping", "None.", benchctl.Needs(), perform,
                           measures=(benchctl.ReadingSpec("x", "", "none"),))  # fmt: skip
    with open_bench("sim", runs=tmp_path) as bench:
        run = bench.stage(stage)
        with pytest.raises(BenchctlError):
            bench.wait(1.0)

    assert run.error == "stopped by the operator"
    assert run.verdict is benchctl.Verdict.UNDECIDED
