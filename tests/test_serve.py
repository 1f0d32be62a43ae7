"""Serving a simulated bench: other programs talk to its boards, and the tool judges the same over such ports."""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from needs import needs
from ports.scripted import ScriptedBoard
from stepped import stepped

from benchctl import benchfile
from benchctl.avr.build_shim import available
from benchctl.bench import Bench, Operator
from benchctl.benches import open_bench
from benchctl.errors import PortLost, Stopped, UsageError
from benchctl.operators import NoOperator
from benchctl.ports.clock import WallClock
from benchctl.ports.discover import State, probe
from benchctl.ports.outlets import MOST_WAITING, PtyOutlet, TcpOutlet
from benchctl.ports.port import SerialPort, still_open
from benchctl.procedure.file import load
from benchctl.procedure.runner import Runner
from benchctl.serve import Server, make_server, serve_bench, write_bench
from benchctl.session.board import Board
from benchctl.session.port import Reach
from benchctl.shipped import procedure
from benchctl.terms import Role


@pytest.fixture(autouse=True)
def nothing_left_open() -> Iterator[None]:
    yield

    assert still_open() == []


class Repeater(ScriptedBoard):
    """Sends back what it gets."""

    def feed(self, data: bytes) -> bytes:
        return data


class ScriptedPort:
    """A scripted board behind the `Port` contract; answers take 2 ms of bench time."""

    def __init__(self, bench: ScriptedBench, board: ScriptedBoard) -> None:
        self.name, self.bench, self.board = "scripted", bench, board
        self.resets = 0
        self.unplugged = False
        self._due: list[tuple[float, bytes]] = []

    def write(self, data: bytes) -> None:
        self._refuse()
        self._due.append((self.bench.now() + 0.002, self.board.feed(data)))

    def urgent(self, data: bytes) -> bool:
        self.write(data)
        return True

    def shut(self) -> None:
        return

    def read_nowait(self) -> bytes:
        self._refuse()
        now = self.bench.now()
        out = b"".join(data for at, data in self._due if at <= now)
        self._due = [(at, data) for at, data in self._due if at > now]
        return out

    def _refuse(self) -> None:
        if self.unplugged:
            raise PortLost("scripted: the port is gone")

    def reset(self) -> None:
        self.resets += 1

    def set_baud(self, baud: int) -> None:
        return

    def close(self) -> None:
        return


class ScriptedBench:
    """Two scripted boards in virtual time."""

    name, kind, simulated, seed, sha256, notes = "scripted", "sim", True, 1, "", ()
    pacer = None

    def __init__(self) -> None:
        self.chance = random.Random(1)
        self.operator: Operator = NoOperator()
        self.images: Mapping[str, Mapping[str, str]] = {}
        self.halted = False
        self.closed = 0
        self.ports = {
            Role.HAND: ScriptedPort(self, ScriptedBoard()),
            Role.CRAFT: ScriptedPort(self, ScriptedBoard("craft", "mudlark-craft-01")),
        }
        self._now = 100.0
        self.boards: Mapping[Role, Board] = {role: Board(role, port, self) for role, port in self.ports.items()}

    def now(self) -> float:
        return self._now

    def wait(self, seconds: float) -> None:
        if self.halted:
            raise Stopped("stopped")
        self._now += max(seconds, 0.0)

    def wait_input(self, deadline: float) -> bool:
        raise AssertionError("serving does not wait so")

    def plugged_in(self) -> Sequence[str]:
        return ()

    def reopen(self, role: Role, seconds: float = 0.0) -> bool:
        return True

    def stop_all(self) -> Reach:
        return Reach()

    def close(self) -> None:
        self.closed += 1


@contextmanager
def served(server: Server) -> Iterator[Server]:
    """The server, running in a thread."""
    over = threading.Event()
    thread = threading.Thread(target=server.run, args=(over.is_set,))
    thread.start()
    try:
        yield server
    finally:
        over.set()
        thread.join()
        server.close()


@pytest.mark.parametrize("tcp", [False, True])
def test_boards_answer_over_served_ports(tcp: bool) -> None:
    """Both boards are found by our own discovery, over pseudo-terminals and over TCP."""
    bench = ScriptedBench()
    with served(make_server(bench, tcp=tcp)) as server:
        found = {role: probe(name, 2.0) for role, name in server.names.items()}

    assert {r: f.label for r, f in found.items()} == {Role.HAND: "mudlark-hand-01", Role.CRAFT: "mudlark-craft-01"}
    assert bench.closed == 1


def test_any_serial_program_can_use_them() -> None:
    """Plain pyserial, which knows nothing of us, gets the bytes unchanged."""
    bench = ScriptedBench()
    bench.ports[Role.HAND].board = Repeater()
    with served(make_server(bench)) as server, serial.Serial(server.names[Role.HAND], 9600, timeout=5) as line:
        line.write(bytes(range(256)))

        assert bytes(range(256)) == line.read(256)


@pytest.mark.parametrize("tcp", [False, True])
def test_connecting_counts_as_a_reset(tcp: bool) -> None:
    """Each opening resets the board once, as DTR does; switched off, none does."""
    for on in (True, False):
        bench = ScriptedBench()
        with served(make_server(bench, tcp=tcp, reset_on_open=on)) as server:
            for _ in range(3):
                probe(server.names[Role.CRAFT], 2.0)
                # a port that is opened again within the server's millisecond was never closed for it
                _until(lambda: server.waiting_for(Role.CRAFT))

        assert (3 if on else 0) == bench.ports[Role.CRAFT].resets
        assert bench.ports[Role.HAND].resets == 0


def _until(condition: Callable[[], bool]) -> None:
    clock = WallClock()
    while not condition():
        assert clock.now() < 5.0
        clock.wait(0.001)


def test_time_follows_real_time() -> None:
    """Bench time passes as fast as the wall's, whether bytes flow or not."""
    bench = ScriptedBench()
    clock = WallClock()
    began = bench.now()
    with served(make_server(bench)):
        clock.wait(0.3)
    passed = bench.now() - began

    # never ahead; behind only by what the server says it gave up
    assert passed <= clock.now()
    assert passed >= 0.05


@pytest.mark.long
def test_an_unplugged_board_is_silent_and_comes_back() -> None:
    """A modelled cable that is pulled passes nothing; the other board goes on."""
    bench = ScriptedBench()
    with served(make_server(bench)) as server:
        bench.ports[Role.HAND].unplugged = True

        assert State.SILENT is probe(server.names[Role.HAND], 0.1, baud=500_000).state
        assert State.BOARD is probe(server.names[Role.CRAFT], 2.0).state

        bench.ports[Role.HAND].unplugged = False

        assert State.BOARD is probe(server.names[Role.HAND], 2.0).state


def test_stopping_the_bench_ends_serving() -> None:
    """A halted bench raises in the server's loop, and the outlets are closed."""
    bench = ScriptedBench()
    bench.halted = True
    with pytest.raises(Stopped):
        serve_bench(bench, lambda text: None, lambda: False)

    assert bench.closed == 1


def test_links_and_a_bench_file_are_left_where_asked(tmp_path: Path) -> None:
    """Links are named for the roles and go away; the bench file opens the served boards as real ones."""
    said: list[str] = []
    spec = benchfile.load("sim")
    bench = ScriptedBench()
    seen: dict[str, object] = {}

    def use_and_stop() -> bool:
        again = benchfile.load(str(tmp_path / "bench.toml"))
        seen.update({"kind": again.kind, "port": again.boards[Role.HAND].port, "link": os.readlink(tmp_path / "hand")})
        return True

    (tmp_path / "craft").symlink_to("/dev/pts/left-over")
    serve_bench(bench, said.append, use_and_stop, spec=spec, folder=tmp_path)

    assert {"kind": "ports", "port": str(tmp_path / "hand")} == {k: seen[k] for k in ("kind", "port")}
    assert str(seen["link"]).startswith("/dev/")
    assert [f"hand: {tmp_path}/hand", f"craft: {tmp_path}/craft", f"bench file: {tmp_path}/bench.toml"] == said
    assert os.listdir(tmp_path) == ["bench.toml"]


def test_what_cannot_be_served_says_why(tmp_path: Path) -> None:
    """Real boards, and a folder that cannot be made."""
    bench = ScriptedBench()
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="no folder can be made there"):
        serve_bench(bench, lambda text: None, lambda: True, folder=tmp_path / "file")
    bench.simulated = False
    with pytest.raises(UsageError, match="is of real boards"):
        make_server(bench)


# ---------------------------------------------------------------------- outlets


@pytest.mark.parametrize("make", [PtyOutlet, TcpOutlet])
def test_bytes_to_nobody_are_gone(make: type[PtyOutlet] | type[TcpOutlet]) -> None:
    """What was sent before anybody connected is not kept for him."""
    outlet = make()
    try:
        assert not outlet.look()
        outlet.send(b"nobody hears this")
        port = SerialPort.open(outlet.name)
        try:
            while not outlet.look():
                pass
            outlet.send(b"hello")
            clock = WallClock()
            port.wake = clock.wake
            got = port.read_nowait()
            while len(got) < 5 and clock.wait_input(clock.now() + 5):
                got += port.read_nowait()
        finally:
            port.close()
    finally:
        outlet.close()

    assert got == b"hello"
    assert outlet.lost_bytes == 0


def test_a_program_that_does_not_read_loses_bytes_and_they_are_counted() -> None:
    """Memory is bounded; the newest bytes are kept."""
    outlet = PtyOutlet()
    with serial.Serial(outlet.name):
        while not outlet.look():
            pass
        for _ in range(200):
            outlet.send(bytes(4096))
        kept = len(outlet._waiting)
    outlet.close()

    assert kept <= MOST_WAITING
    assert outlet.lost_bytes > 500_000


def test_a_second_program_is_turned_away_from_tcp() -> None:
    """One program a board; the first one is not disturbed."""
    bench = ScriptedBench()
    with served(make_server(bench, tcp=True)) as server:
        name = server.names[Role.HAND]
        clock = WallClock()
        first = SerialPort.open(name, wake=clock.wake)
        try:
            Board(Role.HAND, first, clock).open()
            second = probe(name, 0.5, baud=500_000)

            assert State.GONE is second.state
            assert Board(Role.HAND, first, clock).identify().label == "mudlark-hand-01"
        finally:
            first.close()


# ---------------------------------------------------------------------- the tool over served ports

def verdicts(bench: Bench) -> dict[str, str]:
    """Verdicts by stage of the radio link procedure, which needs no operator."""
    bench.operator = NoOperator()
    runner = Runner(load(procedure("radio-link")), bench, lambda event: None)
    runner.run()
    return {stage: str(verdict) for stage, verdict in runner.verdicts.items()}


FAULTY = """
pair = "mudlark"
[board.craft.radio]
miso = { series_ohms = 1e9 }
"""


FIRMWARE = """
kind = "avr"
pair = "mudlark"
"""
NEEDS_AVR = needs(available())


@pytest.mark.parametrize(
    "text",
    [
        pytest.param('pair = "mudlark"\n', id="healthy"),
        pytest.param(FAULTY, id="faulty"),
        pytest.param(FIRMWARE, id="real firmware", marks=(NEEDS_AVR, pytest.mark.long)),
        pytest.param('pair = "mudlark"\n[board.craft]\nvia = "hand"\n', id="one cable"),
    ],
)
def test_same_verdicts_over_served_ports_as_in_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    """A bench judged by itself, and the same bench served and used as real boards: stage by stage."""
    file = tmp_path / "sim.toml"
    file.write_text(text)
    (tmp_path / "served").mkdir()
    inside = open_bench(str(file))
    expected = verdicts(inside)
    inside.close()
    with stepped(open_bench(str(file)), monkeypatch) as served:
        outside = open_bench(str(write_bench(benchfile.load(str(file)), served.server.names, tmp_path / "served")))
        got = verdicts(outside)
        outside.close()

    assert expected == got


def test_a_folder_that_is_not_there_is_made(tmp_path: Path) -> None:
    """Links stand in it; where none can be made that is one sentence."""
    server = make_server(ScriptedBench(), folder=tmp_path / "new" / "bench")
    try:
        assert {p.name for p in (tmp_path / "new" / "bench").iterdir()} == {"hand", "craft"}
    finally:
        server.close()
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="no folder can be made there"):
        make_server(ScriptedBench(), folder=tmp_path / "file")
