"""The bench of real boards: time, stopping, loss and coming back, over pseudo-terminals."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchctl import benchfile
from benchctl.bench import Bench
from benchctl.errors import PortLost, Stopped, UsageError
from benchctl.operators import NoOperator, PersonOperator
from benchctl.ports import clock
from benchctl.ports.bench import PortsBench, open_later, open_ports
from benchctl.ports.discover import Candidate
from benchctl.relayed_bench import over_air
from benchctl.session.board import Board
from benchctl.terms import Role
from benchctl.wire import msg

from .rfc2217_end import on_rfc2217
from .scripted import ScriptedBoard, on_pty, unplug


class Pair:
    """Two scripted boards on pseudo-terminals and the open bench."""

    def __init__(self, stack: ExitStack) -> None:
        self.hand, self.craft = ScriptedBoard(), ScriptedBoard("craft", "mudlark-craft-01")
        self.names = [stack.enter_context(on_pty(b)) for b in (self.hand, self.craft)]
        self.bench = open_ports(None, {}, [Candidate(n) for n in self.names])
        stack.callback(self.bench.close)


@pytest.fixture
def pair() -> Iterator[Pair]:
    with ExitStack() as stack:
        yield Pair(stack)


def serial_file(**ports: str) -> benchfile.BenchSpec:
    """A bench file of real boards on the given ports, by role."""
    text = 'kind = "serial"\npair = "mudlark"\n' + "".join(f'[board.{role}]\nport = "{port}"\n' for role, port in ports.items())
    return benchfile.parse(text.encode(), "bench.toml")


def test_the_pair_is_found_and_answers(pair: Pair) -> None:
    """Both boards are there by role, declared with the labels they have, and can be asked."""
    bench: Bench = pair.bench

    assert {Role.HAND, Role.CRAFT} == set(bench.boards)
    assert bench.kind == "ports"
    assert not bench.simulated
    assert bench.boards[Role.CRAFT].wiring.label == "mudlark-craft-01"
    assert bench.boards[Role.HAND].ask(msg.Echo(data=b"abc")).data == b"abc"


def test_a_bench_file_declares_the_boards() -> None:
    """With a file, ports, labels and pins are the file's, and so is the hash."""
    with on_pty(ScriptedBoard()) as name:
        spec = serial_file(hand=name)
        bench = open_ports(spec, {})
        try:
            assert spec.sha256 == bench.sha256
            assert bench.boards[Role.HAND].wiring.pins
        finally:
            bench.close()


def test_time_is_real(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wait takes as long as it says; how much longer depends on the machine."""
    with monkeypatch.context() as real:  # undone before the fair time around the test is: else that would come back
        real.setattr(clock, "time", time)
        bench_clock = clock.WallClock()
        began, bench_began = time.monotonic(), bench_clock.now()
        bench_clock.wait(0.05)

        assert time.monotonic() - began >= 0.05
        assert bench_clock.now() - bench_began >= 0.05


def test_simulated_operator_is_refused(pair: Pair) -> None:
    """A modelled person cannot be put before real boards, not even by assignment."""
    modelled = PersonOperator()
    modelled.by = "simulated"
    with pytest.raises(UsageError, match="real operator"):
        pair.bench.operator = modelled

    assert isinstance(pair.bench.operator, NoOperator)
    person = PersonOperator()
    pair.bench.operator = person
    assert person is pair.bench.operator


def test_challenges_differ_from_run_to_run() -> None:
    """The seed is fresh each time: a person must not know the challenge from the last run."""
    with on_pty(ScriptedBoard()) as name:
        seeds = set()
        for _ in range(3):
            bench = open_ports(serial_file(hand=name), {})
            seeds.add(bench.seed)
            bench.close()

    assert len(seeds) == 3


def test_stop_reaches_both_boards_from_another_thread(pair: Pair) -> None:
    """While the bench's thread waits for something else, a stop from another thread is on both wires."""
    bench = pair.bench

    def stop() -> None:
        bench.stop_all()
        bench.halted = True

    threading.Timer(0.02, stop).start()
    with pytest.raises(Stopped):
        bench.wait(30.0)
    _until(lambda: "stop" in pair.hand.asked and "stop" in pair.craft.asked)

    with pytest.raises(Stopped):
        bench.boards[Role.HAND].ask(msg.Clock())


@pytest.mark.parametrize("line", ["pty", "rfc2217"])
@pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")  # pyserial 3.5
def test_stop_in_a_signal_handler_never_locks_up(line: str) -> None:
    """A handler may interrupt the bench's thread anywhere, in a write or a wait too, and stops from there."""
    hand = ScriptedBoard()
    with {"pty": on_pty, "rfc2217": on_rfc2217}[line](hand) as name:
        bench = open_ports(serial_file(hand=name), {})
        calls = []

        def stop(number: int, frame: object) -> None:
            calls.append(bench.stop_all())
            bench.halted = False

        before = signal.signal(signal.SIGUSR1, stop)
        over = threading.Event()
        main = threading.main_thread().ident
        assert main is not None

        def shoot() -> None:
            while not over.wait(0.0007):
                signal.pthread_kill(main, signal.SIGUSR1)

        gun = threading.Thread(target=shoot)
        gun.start()
        try:
            for _ in range(150):
                bench.boards[Role.HAND].ask(msg.Echo(data=bytes(60)))
                bench.wait(0.001)
        finally:
            over.set()
            gun.join()
            signal.signal(signal.SIGUSR1, before)
            bench.close()

    assert len(calls) > 100
    assert hand.asked.count("stop") > 100


def test_closing_stops_and_may_be_done_twice(pair: Pair) -> None:
    """Whoever closes the bench leaves idle outputs behind."""
    pair.bench.close()
    pair.bench.close()
    _until(lambda: "stop" in pair.hand.asked and "stop" in pair.craft.asked)

    with pytest.raises(PortLost):
        pair.bench.boards[Role.HAND].ask(msg.Clock())


def _until(condition: Callable[[], bool], seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def test_a_chatting_board_does_not_keep_another_from_its_time_out(pair: Pair) -> None:
    """Bytes that nobody fetches from one board do not hold up the other's answers or time-outs."""
    pair.hand.deaf_for = 1
    pair.bench.boards[Role.CRAFT].port.write(b"\0" * 50)
    answer = pair.bench.boards[Role.HAND].ask(msg.Clock(), timeout=0.05)

    assert answer.received == 5


# ---------------------------------------------------------------------- unplugging


@pytest.fixture
def plugs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Plugs]:
    """Sockets of this machine into which boards are plugged; only these are listed."""
    with ExitStack() as stack:
        plugs = Plugs(stack, tmp_path)
        monkeypatch.setattr("benchctl.ports.assign.candidates", plugs.listed)
        yield plugs


class Plugs:
    """Named places; each can get a board, and lose it again."""

    def __init__(self, stack: ExitStack, folder: Path) -> None:
        self._stack, self._folder = stack, folder
        self._in: dict[str, Callable[[], None]] = {}

    def plug(self, place: str, board: ScriptedBoard) -> str:
        name, pull = self._stack.enter_context(unplug(board))
        link = self._folder / place
        os.symlink(name, link)
        self._in[place] = pull
        return str(link)

    def pull(self, place: str) -> None:
        (self._folder / place).unlink()
        self._in.pop(place)()

    def listed(self) -> list[Candidate]:
        return [Candidate(str(self._folder / place), baud=500_000) for place in self._in]


def test_unplugged_and_back_on_another_port(plugs: Plugs) -> None:
    """A board that went away is PortLost; it is known again by its label, wherever it comes back."""
    craft = ScriptedBoard("craft", "mudlark-craft-01")
    name = plugs.plug("usb0", craft)
    bench = open_ports(serial_file(craft=name), {})
    board = bench.boards[Role.CRAFT]
    try:
        plugs.pull("usb0")
        with pytest.raises(PortLost, match=name):
            _ask_forever(board)
        assert not bench.reopen(Role.CRAFT, 0.2)

        plugs.plug("usb1", ScriptedBoard("craft", "mudlark-craft-02"))
        back = plugs.plug("usb2", craft)

        assert bench.reopen(Role.CRAFT, 5.0)
        assert back == board.port.name
        assert board.ask(msg.Clock()).received == 5
        assert "arm" not in craft.asked
    finally:
        bench.close()


def _ask_forever(board: Board) -> None:
    while True:
        board.ask(msg.Clock())


def test_another_board_on_the_old_port_is_not_taken_for_it(plugs: Plugs) -> None:
    """Only the label counts: the next board of the batch on the same port is another board."""
    name = plugs.plug("usb0", ScriptedBoard())
    bench = open_ports(serial_file(hand=name), {})
    try:
        plugs.pull("usb0")
        plugs.plug("usb0", ScriptedBoard("hand", "mudlark-hand-02"))

        assert not bench.reopen(Role.HAND, 0.3)
    finally:
        bench.close()


def test_boards_that_are_not_there_yet(plugs: Plugs) -> None:
    """Boards of a file that are not plugged in are lost with a reason, and found when plugged in one at a time."""
    bench = open_ports(benchfile.parse(b'kind = "serial"\npair = "mudlark"\n'), {})
    try:
        with pytest.raises(PortLost, match="no hand board labelled mudlark-hand-01 answers"):
            bench.boards[Role.HAND].open()
        plugs.plug("usb0", ScriptedBoard("hand", ""))

        assert bench.reopen(Role.HAND, 5.0)

        # as delivered, its role says nothing yet
        plugs.plug("usb1", ScriptedBoard("hand", ""))

        assert bench.reopen(Role.CRAFT, 5.0)
        assert bench.boards[Role.HAND].port.name != bench.boards[Role.CRAFT].port.name
        assert bench.boards[Role.CRAFT].ask(msg.Echo(data=b"x")).data == b"x"
    finally:
        bench.close()


def test_stopped_while_away(plugs: Plugs) -> None:
    """A board that comes back after a stop is sent the stop before anything else."""
    hand = ScriptedBoard()
    name = plugs.plug("usb0", hand)
    bench = open_ports(serial_file(hand=name), {})
    try:
        plugs.pull("usb0")
        bench.stop_all()
        bench.halted = True
        hand.asked.clear()
        plugs.plug("usb0", hand)

        assert bench.reopen(Role.HAND, 5.0)
        _until(lambda: "stop" in hand.asked)
    finally:
        bench.close()


def test_a_second_bench_on_the_same_boards_is_refused(pair: Pair) -> None:
    """Two runs on one pair: the second is told who has it."""
    with pytest.raises(UsageError, match="in use by"):
        open_ports(serial_file(hand=pair.names[0]), {})


def test_a_board_reached_over_the_air_is_not_looked_for_on_a_port(pair: Pair) -> None:
    """Only the board with the cable is opened; the other one stands behind it."""
    pair.bench.close()
    spec = benchfile.parse(
        f'kind = "serial"\npair = "mudlark"\n[board.hand]\nport = "{pair.names[0]}"\n[board.craft]\nvia = "hand"\n'.encode()
    )
    bench = over_air(open_ports(spec, {}), spec)
    try:
        assert set(bench.boards) == {Role.HAND, Role.CRAFT}
        assert bench.boards[Role.CRAFT].via == "hand"
        assert "over the air" in bench.boards[Role.CRAFT].port.name
        assert bench.reopen(Role.CRAFT)
    finally:
        bench.close()


def test_the_contract_is_fulfilled() -> None:
    """`PortsBench` is a `Bench`; mypy checks it where this is assigned."""

    def as_bench(bench: PortsBench) -> Bench:
        return bench

    assert all(hasattr(PortsBench, n) for n in ("now", "wait", "wait_input", "stop_all", "close", "operator", "halted"))


# ---------------------------------------------------------------------- one at a time tells which is which


def why(bench: PortsBench, role: Role) -> str:
    """Why a board that is looked for is not there."""
    assert not bench.reopen(role, 0.2)
    with pytest.raises(PortLost) as lost:
        bench.boards[role].poll()
    return str(lost.value)


def test_a_new_board_counts_only_once_it_is_plugged_in_when_asked_for(plugs: Plugs) -> None:
    """What lay there before may be either board; plugged in again, it is the one that was asked for."""
    plugs.plug("usb0", ScriptedBoard("hand", ""))
    bench = open_later(None, {})
    try:
        assert "unplug it, and plug it in again if it is the hand unit" in why(bench, Role.HAND)
        plugs.pull("usb0")
        assert "no new serial port has appeared for the hand board" in why(bench, Role.HAND)
        plugs.plug("usb0", ScriptedBoard("hand", ""))
        assert bench.reopen(Role.HAND, 0.2)
        plugs.plug("usb1", ScriptedBoard("hand", ""))
        assert bench.reopen(Role.CRAFT, 0.2)
        assert bench.boards[Role.CRAFT].port.name.endswith("usb1")
    finally:
        bench.close()


def test_two_new_boards_at_once_are_told(plugs: Plugs) -> None:
    """Neither is taken for the other."""
    bench = open_later(None, {})
    plugs.plug("usb0", ScriptedBoard("hand", ""))
    plugs.plug("usb1", ScriptedBoard("hand", ""))
    try:
        assert "several boards that nobody has set up yet answer" in why(bench, Role.HAND)
        assert [said.partition(",")[0].rpartition("/")[2] for said in bench.plugged_in()] == [
            "usb0: a board that nobody has set up yet",
            "usb1: a board that nobody has set up yet",
        ]
    finally:
        bench.close()


def test_boards_of_another_pair_do_not_contradict(plugs: Plugs) -> None:
    """Of a bench whose labels are known only these boards, and new ones, count as plugged in."""
    plugs.plug("usb0", ScriptedBoard("hand", "mudlark-hand-02"))
    plugs.plug("usb1", ScriptedBoard("craft", "mudlark-craft-01"))
    bench = open_later(None, {Role.HAND: "mudlark-hand-01", Role.CRAFT: "mudlark-craft-01"})
    try:
        assert [said.partition(":")[0].rpartition("/")[2] for said in bench.plugged_in()] == ["usb1"]
    finally:
        bench.close()
