"""However a run is stopped, the motor is at idle one frame later, and the run says that it was stopped."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "stages"))

from motor_run import MOTOR, motor_procedure, operation

from benchctl import events as ev
from benchctl.errors import InternalError
from benchctl.operate import Operation
from benchctl.safety.interlock import State
from benchctl.terms import Role, Verdict

#: the frame under way, and the way of the bytes
WITHIN_S = 0.023
#: by its own keep-alive, where nothing can be sent
ALONE_S = 0.275

Make = Callable[..., Operation]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[Operation] = []

    def run(**more: Any) -> Operation:
        made.append(operation(tmp_path / str(len(made)), **more))
        return made[-1]

    yield run
    for one in made:
        one.bench.close()


def esc_of(run: Operation) -> Any:
    bench: Any = run.bench
    return bench.world.boards[Role.CRAFT].escs["pulse2"]


class OnTurning:
    """A reader that does something once, as soon as the motor turns."""

    def __init__(self, act: Callable[[], object]) -> None:
        self.act = act
        self.at = 0.0
        self.run: Operation | None = None

    def __call__(self, event: ev.Event) -> None:
        assert self.run is not None
        if not self.at and self.turning(event):
            self.at = self.run.bench.now()
            self.act()

    def turning(self, event: ev.Event) -> bool:
        assert self.run is not None
        above = esc_of(self.run).above_idle
        return bool(above) and above[-1][0] > self.run.bench.now() - 0.03


def idle_within(run: Operation, since: float, seconds: float) -> None:
    esc = esc_of(run)
    assert esc.above_idle, "the motor never turned"
    assert esc.above_idle[-1][0] <= since + seconds
    assert esc.last_width_us == pytest.approx(1000, abs=1)


@pytest.mark.parametrize("by", ["key", "signal"])
@pytest.mark.parametrize("stage", MOTOR[1:])
def test_stopped_in_the_middle_of_a_stage(make, stage: str, by: str) -> None:
    """The key comes from the screen's thread, a signal in the run's own."""

    def stop() -> None:
        if by == "signal":
            run.stop(by)
            return
        thread = threading.Thread(target=run.stop, args=(by,))
        thread.start()
        thread.join()

    reader = OnTurning(stop)
    run = reader.run = make(procedure=motor_procedure((stage,)), readers=[reader])
    result = run.perform()

    idle_within(run, reader.at, WITHIN_S)
    assert result.error == "stopped by the operator"
    assert (result.verdict, result.exit_code) == (Verdict.UNDECIDED, 3)
    assert run.interlock.state is State.STOPPED


def test_stopped_while_armed_at_idle(make) -> None:
    """ESC arming has no throttle: stopped there, nothing ever goes above idle and the guard is idle."""
    said: list[ev.Event] = []

    def heard(event: ev.Event) -> None:
        said.append(event)
        if isinstance(event, ev.OutputsLive) and event.live:
            run.stop("key")

    run = make(procedure=motor_procedure(("esc_arming",)), readers=[heard])
    run.perform()

    assert esc_of(run).above_idle == []
    bench: Any = run.bench
    assert bench.chips[Role.CRAFT].probe is not None
    assert run.interlock.state is State.STOPPED


def test_an_exception_anywhere_stops(make) -> None:
    """A bug in a stage, met while the motor turns."""

    def fault(*_: object, **more: object) -> None:
        fault_at.append(run.bench.now())
        raise ZeroDivisionError("a bug")

    fault_at: list[float] = []

    def break_it() -> None:
        run.bench.boards[Role.CRAFT].ask = fault  # type: ignore[method-assign]

    reader = OnTurning(break_it)
    run = reader.run = make(procedure=motor_procedure(("throttle_ramp",)), readers=[reader])
    with pytest.raises(InternalError, match="a bug"):
        run.perform()

    run.bench.wait(0.05)  # modelled time stands still once the run has ended
    idle_within(run, fault_at[0], WITHIN_S)


@pytest.mark.parametrize(("role", "seconds"), [(Role.CRAFT, ALONE_S), (Role.HAND, ALONE_S)])
def test_a_lost_port(make, role: Role, seconds: float) -> None:
    """The craft's own: its guard does it alone. The hand unit's: the stage ends, and the craft is told with it."""

    def pull() -> None:
        run.bench.ports[role].plug(False)  # type: ignore[attr-defined]

    reader = OnTurning(pull)
    stages = ("throttle_ramp",) if role is Role.CRAFT else ("link_loss_cut",)
    run = reader.run = make(procedure=motor_procedure(stages), readers=[reader])
    result = run.perform()

    run.bench.wait(0.5)
    last = esc_of(run).above_idle[-1][0]
    if role is Role.CRAFT:
        assert last <= reader.at + seconds
    assert result.verdict is not Verdict.PASS
    assert esc_of(run).last_width_us == pytest.approx(1000, abs=1)


def started(folder: Path, **more: Any) -> subprocess.Popen[str]:
    script = Path(__file__).with_name("stopped_run.py")
    return subprocess.Popen([sys.executable, str(script), str(folder)], text=True, **more)


def told(folder: Path, child: subprocess.Popen[str], by: str) -> None:
    child.wait(60)
    end = json.loads((folder / "told.json").read_text())
    assert end["error"] == "stopped by the operator"
    assert end["exit"] == 3
    assert end["stopped"][0][0] == by
    assert end["last"] <= end["stopped"][0][1] + WITHIN_S
    assert end["width"] == pytest.approx(1000, abs=1)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_signals(tmp_path: Path, name: str) -> None:
    child = started(tmp_path, stderr=subprocess.PIPE)
    assert child.stderr is not None
    with child.stderr:
        assert child.stderr.readline() == "turning\n"
        child.send_signal(getattr(signal, name))
        told(tmp_path, child, "signal")


@pytest.mark.skipif(not hasattr(os, "login_tty"), reason="needs a terminal that can be closed")
def test_a_closed_terminal(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    child = started(tmp_path, preexec_fn=lambda: os.login_tty(theirs))
    os.close(theirs)
    seen = b""
    while b"turning" not in seen:
        seen += os.read(ours, 1000)
    os.close(ours)
    told(tmp_path, child, "closed")
