"""However a run is stopped, the motor is at idle one frame later, and the run says that it was stopped."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import termios
import threading
import time
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
from benchctl.safety.stop import COPIES
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.framing import Deframer
from benchctl.wire.messages import decode_all

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


def recorded(run: Operation) -> list[bytes]:
    """The bodies of all frames that reach the craft's chip, in their order, as they come."""
    bench: Any = run.bench
    bodies: list[bytes] = []
    deframer = Deframer()

    def note(data: bytes) -> None:
        bodies.extend(deframer.feed(data))

    if bench.kind == "sim":
        port = bench.ports[Role.CRAFT]
        on_bytes = port.on_bytes
        port.on_bytes = lambda data, time: (note(data), on_bytes(data, time))
        return bodies
    chip = bench.chips[Role.CRAFT]
    for name in ("send", "send_first"):
        send = getattr(chip, name)
        setattr(chip, name, lambda data, time, send=send: (note(data), send(data, time))[1])
    return bodies


@pytest.mark.parametrize("moment", [0.0, 0.01, 0.03])
def test_nothing_but_stops_reaches_a_board_behind_the_first_of_a_stop(make, kind: str, moment: float) -> None:
    """The key comes in the middle of keep-alives, one of them perhaps on its way: it is overtaken and never arrives."""

    def press() -> None:
        thread = threading.Thread(target=lambda: (time.sleep(moment), run.stop("key")))
        thread.start()
        if not moment:
            thread.join()

    reader = OnTurning(press)
    procedure = motor_procedure(("throttle_ramp",), throttle_ramp={"hold_seconds": 30.0})
    run = reader.run = make(kind=kind, procedure=procedure, readers=[reader])
    bodies = recorded(run)
    result = run.perform()
    run.bench.close()
    kinds = [type(m) for m in decode_all(bodies)]

    assert result.error == "stopped by the operator"
    assert msg.Throttle in kinds
    first = next(i for i, k in enumerate(kinds) if k is msg.Stop and not {*kinds[i:]} - {msg.Stop})
    assert len(kinds[first:]) >= COPIES
    assert msg.Throttle in kinds[first - 12 : first]  # it was live right before
    assert (run.summary.stop.by, set(run.summary.stop.reached)) == ("key", {"hand", "craft"})  # type: ignore[union-attr]


def test_a_board_that_is_not_reached_is_named(make) -> None:
    """The record and the screen say which boards the stop has reached; the other goes idle by its own keep-alive."""

    def act() -> None:
        run.bench.ports[Role.HAND].plug(False)  # type: ignore[attr-defined]
        told.append(run.stop("key"))

    told: list[ev.StopPressed] = []
    reader = OnTurning(act)
    run = reader.run = make(procedure=motor_procedure(("throttle_ramp",)), readers=[reader])
    run.perform()

    assert (told[0].reached, told[0].missed) == (("craft",), ("hand",))
    assert told[0].told == "Told to go idle: craft. NOT reached: hand, idle by itself within 0.3 s."
    assert run.summary.stop is not None
    assert (run.summary.stop.reached, run.summary.stop.missed) == (("craft",), ("hand",))


def test_the_flags_come_before_the_bytes(make) -> None:
    """When the first byte of a stop is handed over, the bench is halted and the interlock is in STOPPED."""
    run = make(procedure=motor_procedure(("throttle_ramp",)))
    bench: Any = run.bench
    seen: list[tuple[bool, State]] = []
    for port in bench.ports.values():
        urgent = port.urgent
        port.urgent = lambda data, urgent=urgent: bool(seen.append((bench.halted, run.interlock.state))) or urgent(data)
    run.stop("key")

    assert seen == [(True, State.STOPPED)] * len(bench.ports)
    assert run.perform().error == "stopped by the operator"


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


# ---------------------------------------------------------------------- on the run screen, in a terminal


class Terminal:
    """A program in a pseudo-terminal of 80×24. reads: whether anybody takes what it puts out."""

    def __init__(self, folder: Path, *script: str) -> None:
        self.folder = folder
        self.ours, theirs = os.openpty()
        termios.tcsetwinsize(theirs, (24, 80))
        env = {**os.environ, "TERM": "xterm-256color"}
        env.pop("NO_COLOR", None)
        self.child = subprocess.Popen(
            [sys.executable, *script], env=env, preexec_fn=lambda: os.login_tty(theirs), close_fds=False
        )
        os.close(theirs)
        self.reads, self.seen = True, b""
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while self.reads:
            if select.select([self.ours], [], [], 0.02)[0]:
                try:
                    self.seen += os.read(self.ours, 65536)
                except OSError:
                    return

    def pause(self) -> None:
        """From now on nobody takes its output."""
        self.reads = False
        self._thread.join()

    def wait_for(self, name: str, seconds: float = 30.0) -> Path:
        deadline = time.monotonic() + seconds
        while not (self.folder / name).exists():
            assert time.monotonic() < deadline, (name, self.seen[-2000:])
            time.sleep(0.01)
        return self.folder / name

    def close(self) -> None:
        self.child.kill()
        self.child.wait()
        with contextlib.suppress(OSError):
            os.close(self.ours)
        self.reads = False


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def start(*script: str) -> Terminal:
        made.append(Terminal(tmp_path, *script))
        return made[-1]

    yield start
    for one in made:
        one.close()


SCREEN = str(Path(__file__).with_name("stopped_screen.py"))
needs_terminal = pytest.mark.skipif(not hasattr(os, "login_tty"), reason="needs pseudo-terminals")


def stopped_by(t: Terminal, by: str) -> None:
    """The motor was at idle a frame after the stop, both boards had been told, and the run says who stopped it."""
    end = json.loads(t.wait_for("told.json").read_text())

    assert end["stopped"][0][0] == by
    assert end["last"] <= end["stopped"][0][1] + WITHIN_S
    assert end["width"] == pytest.approx(1000, abs=1)
    assert end["error"] == "stopped by the operator"
    assert end["reached"] == ["craft", "hand"]


@needs_terminal
@pytest.mark.parametrize("key", [b"\x18", b"\x03", b"\x1b[21~"], ids=["ctrl-x", "ctrl-c", "f10"])
def test_the_stop_keys_of_the_run_screen(terminal, tmp_path: Path, key: bytes) -> None:
    t = terminal(SCREEN, str(tmp_path))
    t.wait_for("turning")
    os.write(t.ours, key)
    stopped_by(t, "key")


@needs_terminal
def test_the_stop_key_is_heard_while_nobody_takes_the_output(terminal, tmp_path: Path) -> None:
    """A paused screen or a dead remote line holds up the drawing, not the thread that reads the keys."""
    t = terminal(SCREEN, str(tmp_path))
    t.wait_for("turning")
    t.pause()
    time.sleep(1.5)  # until what the terminal keeps is full and so is the queue towards it
    os.write(t.ours, b"\x18")
    stopped_by(t, "key")


@needs_terminal
@pytest.mark.parametrize(("name", "by"), [("SIGTERM", "signal"), ("SIGHUP", "closed"), ("SIGINT", "signal")])
def test_signals_stop_the_run_of_the_run_screen_and_close_it(terminal, tmp_path: Path, name: str, by: str) -> None:
    t = terminal(SCREEN, str(tmp_path))
    t.wait_for("turning")
    t.child.send_signal(getattr(signal, name))
    stopped_by(t, by)
    assert t.child.wait(30) == 0, t.seen[-6000:].decode(errors="replace")


@needs_terminal
@pytest.mark.parametrize("how", ["quit", "terminal"])
def test_closing_the_program_or_its_terminal_stops_the_run(terminal, tmp_path: Path, how: str) -> None:
    t = terminal(SCREEN, str(tmp_path))
    t.wait_for("turning")
    if how == "quit":
        os.write(t.ours, b"\x11")
    else:
        t.pause()
        os.close(t.ours)
    stopped_by(t, "closed")


@needs_terminal
def test_a_signal_ends_the_program_although_nobody_takes_its_output(terminal, tmp_path: Path) -> None:
    """The boards are told and the record is whole before it gives up on the screen."""
    t = terminal(SCREEN, str(tmp_path))
    t.wait_for("turning")
    t.pause()
    time.sleep(1.0)
    t.child.send_signal(signal.SIGTERM)
    stopped_by(t, "signal")
    assert t.child.wait(40) == 0
