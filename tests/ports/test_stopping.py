"""The stop over real lines: nothing leaves behind it, no line waits for another, who was not reached is named."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from benchctl.errors import PortLost, Stopped
from benchctl.ports.access import WRITE_S
from benchctl.ports.assign import Assigned
from benchctl.ports.bench import PortsBench
from benchctl.ports.discover import Found, State
from benchctl.ports.port import SerialPort
from benchctl.safety.stop import COPIES, FULL, QUIET_FRAME, STOP_BYTES, STOP_FRAME
from benchctl.session.port import Reach
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.framing import frame

from .rfc2217_end import on_rfc2217
from .scripted import ScriptedBoard

KEEP_ALIVE = frame(msg.Throttle(channel=2, permille=100, number=1).encode())
ROLES = (Role.HAND, Role.CRAFT, Role.GAUGE)


class Wires:
    """The far ends of lines that nobody reads until asked, and the bench that has them open."""

    def __init__(self, stack: ExitStack, count: int) -> None:
        self.far: dict[Role, int] = {}
        self._seen = dict.fromkeys(ROLES, b"")
        found: dict[Role, Found] = {}
        for role in ROLES[:count]:
            master, slave = os.openpty()
            tty.setraw(slave)
            name = os.ttyname(slave)
            os.close(slave)
            os.set_blocking(master, False)
            stack.callback(os.close, master)
            self.far[role] = master
            found[role] = Found(name, State.BOARD, name, line=SerialPort.open(name))
        self.bench = PortsBench(Assigned(found))
        stack.callback(self.bench.close)

    def port(self, role: Role) -> SerialPort:
        port = self.bench.boards[role].port
        assert isinstance(port, SerialPort)
        return port

    def fill(self, role: Role) -> None:
        """Until the line takes no more; the system may move what waits once or twice, which makes room again."""
        full_since = time.monotonic()
        while time.monotonic() < full_since + 0.1:
            if self.port(role).urgent(b"\0"):
                full_since = time.monotonic()
                while self.port(role).urgent(bytes(1000)):
                    continue

    def came(self, role: Role) -> bytes:
        """All that has come at the far end since the last call."""
        self.take(role)
        data, self._seen[role] = self._seen[role], b""
        return data

    def take(self, role: Role) -> None:
        """Make room."""
        with contextlib.suppress(BlockingIOError):
            while True:
                self._seen[role] += os.read(self.far[role], 65536)


@pytest.fixture
def wires() -> Iterator[Callable[[int], Wires]]:
    with ExitStack() as stack:
        yield lambda count: Wires(stack, count)


def until(condition: Callable[[], bool], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def test_the_stop_is_sent_three_times_on_every_port(wires) -> None:
    """A damaged byte must not lose it."""
    w = wires(3)

    assert w.bench.stop_all() == Reach(ROLES)
    for role in ROLES:
        assert w.came(role) == STOP_BYTES
    assert STOP_BYTES == COPIES * STOP_FRAME
    assert COPIES >= 3


@pytest.mark.parametrize("round_", range(25))
def test_no_keep_alive_leaves_behind_the_flag(wires, round_: int) -> None:
    """A thread that does nothing but send throttle is overtaken by a stop from another: behind it comes nothing."""
    w = wires(2)
    sent, over = [0], []
    begun = threading.Event()

    def keep_alive() -> None:
        try:
            while True:
                for role in (Role.HAND, Role.CRAFT):
                    w.port(role).write(KEEP_ALIVE)
                sent[0] += 1
                if sent[0] > 2 + round_:
                    begun.set()
                if sent[0] % 20 == 0:
                    w.take(Role.HAND)
                    w.take(Role.CRAFT)
        except Stopped as e:
            over.append(str(e))

    thread = threading.Thread(target=keep_alive)
    thread.start()
    assert begun.wait(30)
    w.bench.halted = True
    reach = w.bench.stop_all()
    thread.join(30)

    assert over
    assert "stopped" in over[0]
    # a line whose writer the system has put aside in mid-write is told a moment later
    assert {*reach.reached, *reach.missed} == {Role.HAND, Role.CRAFT}
    assert all(why == FULL for why in reach.missed.values())
    w.bench._patience.wait(60.0)
    for role in (Role.HAND, Role.CRAFT):
        came = w.came(role)
        assert came.endswith(COPIES * QUIET_FRAME)
        assert came.count(QUIET_FRAME) == COPIES


def test_a_write_that_has_been_begun_is_looked_at_again_before_it_leaves(wires) -> None:
    """However late the flag comes, as long as the bytes have not left: here the writer waits right before that."""
    w = wires(1)
    ended: list[BaseException] = []

    def write() -> None:
        try:
            w.port(Role.HAND).write(KEEP_ALIVE)
        except Stopped as e:
            ended.append(e)

    thread = threading.Thread(target=write)
    with w.port(Role.HAND)._line._lock:  # type: ignore[attr-defined]
        thread.start()
        thread.join(0.05)
        w.bench.halted = True
    thread.join(30)

    assert len(ended) == 1
    assert w.came(Role.HAND) == b""


def test_a_shut_port_sends_nothing_but_stops(wires) -> None:
    """Not by asking a board either; a board that is found again afterwards is no way round."""
    w = wires(1)
    w.bench.halted = True
    for use in (lambda: w.port(Role.HAND).write(KEEP_ALIVE), lambda: w.bench.boards[Role.HAND].ask(msg.Clock())):
        with pytest.raises(Stopped):
            use()
    w.bench._take(w.bench.boards[Role.HAND], Found("x", State.BOARD, "x", line=w.port(Role.HAND)))
    with pytest.raises(Stopped):
        w.port(Role.HAND).write(KEEP_ALIVE)
    assert w.came(Role.HAND) == b""
    assert w.port(Role.HAND).urgent(STOP_BYTES)
    assert w.came(Role.HAND) == STOP_BYTES


def test_a_line_that_is_found_again_after_the_stop_is_shut(wires) -> None:
    """The board was away when the stop came: its new line takes stops and nothing else."""
    w, other = wires(1), wires(1)
    w.bench.halted = True
    line = other.port(Role.HAND)
    w.port(Role.HAND).close()
    w.bench._take(w.bench.boards[Role.HAND], Found("x", State.BOARD, "x", line=line))
    with pytest.raises(Stopped):
        line.write(KEEP_ALIVE)
    assert other.came(Role.HAND) == b""
    w.bench.stop_all()
    assert other.came(Role.HAND) == COPIES * QUIET_FRAME


@pytest.mark.parametrize("stuck", ROLES)
def test_a_line_that_takes_no_bytes_holds_up_no_other(wires, stuck: Role) -> None:
    """The one pass neither waits for the full line nor ends at it; the full one is named, and told once it takes bytes."""
    w = wires(3)
    w.fill(stuck)
    began = time.monotonic()
    w.bench.halted = True
    reach = w.bench.stop_all()
    took = time.monotonic() - began

    others = [role for role in ROLES if role is not stuck]
    assert reach == Reach(tuple(others), {stuck: FULL})
    assert took < WRITE_S / 2  # no line was waited for
    for role in others:
        assert w.came(role) == COPIES * QUIET_FRAME
    seen = [w.came(stuck)]
    until(lambda: bool(seen.append(w.came(stuck))) or QUIET_FRAME in b"".join(seen))


def test_a_write_that_waits_for_room_ends_with_the_stop(wires) -> None:
    """The run's thread does not sit on a full line for the second that it may take otherwise."""
    w = wires(2)
    w.fill(Role.HAND)
    ended: list[BaseException] = []

    def write() -> None:
        try:
            w.port(Role.HAND).write(KEEP_ALIVE)
        except (Stopped, PortLost) as e:
            ended.append(e)

    thread = threading.Thread(target=write)
    thread.start()
    w.bench.halted = True
    assert w.bench.stop_all().reached == (Role.CRAFT,)
    thread.join(30)

    assert [type(e) for e in ended] == [Stopped]
    seen = [w.came(Role.HAND)]
    until(lambda: bool(seen.append(w.came(Role.HAND))) or QUIET_FRAME in b"".join(seen))


def test_lost_boards_are_named_and_not_tried_on(wires) -> None:
    """A port that is gone, or was closed, is missed with its sentence; the other one is reached."""
    w = wires(2)
    w.port(Role.HAND).close()
    reach = w.bench.stop_all()

    assert reach.reached == (Role.CRAFT,)
    assert "closed" in reach.missed[Role.HAND]
    assert w.bench._patience._thread is None


# pyserial 3.5 still calls Thread.setDaemon, deprecated since Python 3.10
@pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")
def test_over_rfc2217_the_stop_does_not_wait_for_a_write_that_is_stuck() -> None:
    """pyserial's own write waits there; the stop goes past it into the socket, and is tried on behind it."""
    board = ScriptedBoard()
    with on_rfc2217(board) as name:
        port = SerialPort.open(name)
        try:
            with port._line._lock:  # type: ignore[attr-defined]  # as while another thread is in the middle of a write
                seen: list[bool] = []
                thread = threading.Thread(target=lambda: seen.append(port.urgent(STOP_BYTES)))
                thread.start()
                thread.join(30)
            assert seen == [False]
            until(lambda: "stop" in board.asked)
            board.asked.clear()
            assert port.urgent(STOP_BYTES)
            until(lambda: board.asked.count("stop") == COPIES)
            port.shut()
            with pytest.raises(Stopped):
                port.write(KEEP_ALIVE)
        finally:
            port.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")
def test_a_url_has_a_time_limit_for_writing() -> None:
    """A far end that reads nothing is a lost port after a second, not after pyserial's five, nor never."""
    with on_rfc2217(ScriptedBoard()) as name:
        port = SerialPort.open(name)
        try:
            assert port._line.serial._socket.gettimeout() == WRITE_S
        finally:
            port.close()
    listener = socket.create_server(("127.0.0.1", 0))
    with listener:
        port = SerialPort.open(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        peer, _ = listener.accept()
        try:
            with pytest.raises(PortLost, match="taken no bytes"):
                port.write(bytes(30_000_000))
            assert port.lost
        finally:
            port.close()
            peer.close()


def test_a_line_without_descriptor_or_socket_is_stopped_by_a_thread_of_its_own() -> None:
    """Handed over at once; whether it has gone is known at a later try."""
    port = SerialPort.open("loop://")
    try:
        until(lambda: port.urgent(STOP_BYTES))
        until(lambda: port._kept.startswith(STOP_BYTES))
    finally:
        port.close()
