"""`SerialPort` over pseudo-terminals, sockets and RFC 2217: the `Port` contract, and loss in every form."""

from __future__ import annotations

import os
import sys
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from benchctl.errors import PortLost, Stopped, UsageError
from benchctl.ports import clock as clock_module
from benchctl.ports import port as port_module
from benchctl.ports.clock import WallClock
from benchctl.ports.port import SerialPort
from benchctl.session.board import Board
from benchctl.terms import Role
from benchctl.wire import msg

from .rfc2217_end import on_rfc2217
from .scripted import ScriptedBoard, Silent, on_pty, on_socket, unplug

LINES = {"pty": on_pty, "socket": on_socket, "rfc2217": on_rfc2217}


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """A bare pseudo-terminal: its master's descriptor and the port's name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    yield master, name
    os.close(master)


def wait_for(port: SerialPort, clock: WallClock, count: int, seconds: float = 5.0) -> bytes:
    """That many bytes from the port, or as many as come in time."""
    data, deadline = port.read_nowait(), clock.now() + seconds
    while len(data) < count and clock.wait_input(deadline):
        data += port.read_nowait()
    return data


# pyserial 3.5 still calls Thread.setDaemon, deprecated since Python 3.10
@pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")
@pytest.mark.parametrize("line", LINES)
def test_a_board_answers_over_every_kind_of_line(line: str) -> None:
    """The session works alike over a port, a socket and RFC 2217."""
    clock = WallClock()
    with LINES[line](ScriptedBoard()) as name:
        port = SerialPort.open(name, wake=clock.wake)
        board = Board(Role.HAND, port, clock)
        try:
            who = board.open()
            echoed = board.ask(msg.Echo(data=bytes(range(90)))).data
            port.reset()
        finally:
            port.close()

    assert who.label == "mudlark-hand-01"
    assert bytes(range(90)) == echoed


def test_all_byte_values_pass_unchanged(pty: tuple[int, str]) -> None:
    """Nothing on the way treats a byte as something special, in either direction."""
    master, name = pty
    clock = WallClock()
    port = SerialPort.open(name, wake=clock.wake)
    everything = bytes(range(256))
    try:
        os.write(master, everything)
        came = wait_for(port, clock, 256)
        port.write(everything)
        went = os.read(master, 4096)
    finally:
        port.close()

    assert everything == came
    assert everything == went


def test_bytes_before_the_loss_are_read_first(pty: tuple[int, str]) -> None:
    """What came before the cable was pulled is there; then PortLost, from every call, with the port's name."""
    clock = WallClock()
    with unplug(Silent()) as (name, pull):
        port = SerialPort.open(name, wake=clock.wake)
        master_says = b"last words"
        try:
            port._keep(master_says)
            pull()
            assert clock.wait_input(5.0)
            while not port.lost:
                clock.wait_input(clock.now() + 0.01)

            assert master_says == port.read_nowait()
            for use in (port.read_nowait, lambda: port.write(b"x"), lambda: port.urgent(b"x")):
                with pytest.raises(PortLost, match=name):
                    use()
        finally:
            port.close()


def test_socket_closed_by_the_other_end_is_a_lost_port() -> None:
    """End of file on a socket is told as a lost port."""
    clock = WallClock()
    with ExitStack() as stack:
        with on_socket(Silent()) as name:
            port = SerialPort.open(name, wake=clock.wake)
            stack.callback(port.close)
        while not port.lost:
            assert clock.wait_input(5.0)
        with pytest.raises(PortLost, match="gone"):
            port.read_nowait()


def test_closing_twice_and_using_after(pty: tuple[int, str]) -> None:
    """Closing is idempotent; a closed port says so."""
    _, name = pty
    port = SerialPort.open(name)
    port.close()
    port.close()

    with pytest.raises(PortLost, match="closed"):
        port.write(b"x")
    with pytest.raises(PortLost, match="closed"):
        port.read_nowait()


def test_urgent_overtakes_what_is_queued(pty: tuple[int, str]) -> None:
    """With kilobytes waiting in the system, an urgent write throws them away and goes first."""
    master, name = pty
    port = SerialPort.open(name)
    try:
        port.write(b"q" * 3000)
        port.urgent(b"STOP")
        seen = b""
        while not seen.endswith(b"STOP"):
            seen += os.read(master, 65536)
    finally:
        port.close()

    # a pseudo-terminal hands bytes over at once and reports none as waiting, so nothing is dropped there
    assert len(seen) in (4, 3004)


def test_urgent_from_another_thread_while_a_write_is_stuck(pty: tuple[int, str]) -> None:
    """A writer that waits for room does not keep the stop waiting."""
    master, name = pty
    port = SerialPort.open(name)
    failures: list[BaseException] = []

    def flood() -> None:
        try:
            port.write(b"q" * 1_000_000)
        except (PortLost, Stopped) as e:
            failures.append(e)

    def stop() -> None:
        port.shut()  # the flag first, so that the writer gives up its place
        taken.append(port.urgent(b"STOP"))

    taken = [False]
    writer = threading.Thread(target=flood)
    writer.start()
    try:
        seen = b""
        while b"STOP" not in seen and len(seen) < 1_000_000:
            seen += os.read(master, 4096)
            if len(seen) > 20_000 and not taken[-1]:  # as the patient pass of a stop does
                stopper = threading.Thread(target=stop)
                stopper.start()
                stopper.join()
    finally:
        writer.join()
        port.close()

    # not behind the million that the other thread wants to send
    assert b"STOP" in seen
    assert seen.index(b"STOP") < 500_000
    assert isinstance(failures[0], Stopped)


def test_memory_is_bounded(pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes that nobody fetches push out the oldest, which are counted."""
    monkeypatch.setattr(port_module, "MOST_KEPT", 1000)
    master, name = pty
    clock = WallClock()
    port = SerialPort.open(name, wake=clock.wake)
    try:
        os.write(master, b"a" * 800 + b"b" * 800)
        while port.overflowed < 600:
            assert clock.wait_input(clock.now() + 5.0)
        kept = port.read_nowait()
    finally:
        port.close()

    assert kept == b"a" * 200 + b"b" * 800


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("/dev/ttyUSB77", "no such port; is the board plugged in"),
        ("socket://127.0.0.1:1", "nobody answers there"),
        ("socket://nowhere.invalid:5", "nobody answers there"),
        ("socket://127.0.0.1:99999", "cannot be used as a serial port"),
        ("socket://127.0.0.1", "cannot be used as a serial port"),
        ("socket://127.0.0.1:5?logging=loud", "cannot be used as a serial port"),
        ("telegraph://x", "cannot be used as a serial port"),
        ("/dev/null", "cannot be used as a serial port"),
        ("/", "cannot be used as a serial port"),
        ("", "no port is named"),
    ],
)
def test_ports_that_cannot_be_opened_say_why(name: str, says: str) -> None:
    """Every failure to open is one sentence with the port's name."""
    with pytest.raises(UsageError, match=says) as e:
        SerialPort.open(name)

    assert name in str(e.value)
    assert "\n" not in str(e.value)


def test_a_second_opener_is_refused(pty: tuple[int, str]) -> None:
    """The same port twice, in one process: the second is told that it is in use."""
    _, name = pty
    port = SerialPort.open(name)
    try:
        with pytest.raises(UsageError, match="in use by"):
            SerialPort.open(name)
    finally:
        port.close()


# ---------------------------------------------------------------------- the clock


def test_waiting_ends_when_the_bench_is_halted() -> None:
    """A stop from another thread ends a long wait at once."""
    clock = WallClock()
    threading.Timer(0.02, lambda: setattr(clock, "halted", True)).start()

    with pytest.raises(Stopped):
        clock.wait(60.0)
    with pytest.raises(Stopped):
        clock.wait_input(60.0)


def test_a_gap_on_the_clock_is_counted_as_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """Suspended or stopped for seconds: once, whoever looks first; a long wait that is attended is none."""
    at = [100.0]
    monkeypatch.setattr(clock_module, "_running_on", lambda: at[0])
    clock = WallClock()
    at[0] += clock_module.LATE_S
    assert (clock.now(), clock.late) == (2.0, 0)
    at[0] += 20.0
    clock.wait(0.0)
    assert (clock.now(), clock.late) == (22.0, 1)
    at[0] += 1.0
    assert (clock.now(), clock.late) == (23.0, 1)


def test_a_wait_looks_at_the_clock_often_enough() -> None:
    """Or each long wait would be taken for a suspend."""
    clock = WallClock()
    looked: list[float] = []
    now = clock.now
    clock.now = lambda: looked.append(now()) or looked[-1]  # type: ignore[method-assign, func-returns-value]
    clock.wait(1.2)
    assert len(looked) >= 3
    assert clock.late == 0


@pytest.mark.skipif(sys.platform != "linux", reason="the clock that goes on in suspend has another name elsewhere")
def test_the_clock_goes_on_in_suspend() -> None:
    """As `clock_gettime(2)` promises of CLOCK_BOOTTIME."""
    assert abs(clock_module._running_on() - clock_module.time.clock_gettime(time.CLOCK_BOOTTIME)) < 5.0


def test_an_arrival_is_told_once() -> None:
    """Unread bytes of another port neither end every wait nor keep a passed deadline from being one."""
    clock = WallClock()
    clock.wake()

    assert clock.wait_input(clock.now() + 1.0)
    assert not clock.wait_input(clock.now() + 0.01)

    clock.wake()
    past = clock.now() - 1.0

    assert clock.wait_input(past)
    clock.wake()
    assert not clock.wait_input(past)
