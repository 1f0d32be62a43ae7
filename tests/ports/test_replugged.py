"""A soak over real serial lines whose cable is pulled and put into another socket: it goes on, and counts it."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import serial

from benchctl import benchfile
from benchctl.benches import open_bench
from benchctl.events import Event, Note
from benchctl.operators import NoOperator
from benchctl.ports.bench import open_ports
from benchctl.ports.discover import Candidate
from benchctl.procedure.file import parse
from benchctl.procedure.runner import Runner
from benchctl.serve import make_server
from benchctl.terms import Role, Verdict

from .scripted import unplug

SOAK = b"""
name = "replugged"
[[stage]]
kind = "soak"
[stage.parameters]
seconds = 8.0
patience = {patience}
"""


class Relay:
    """The far end of a cable: what comes is passed on to a board's port, what that says is passed back."""

    def __init__(self, port: str) -> None:
        self._port = serial.Serial(port, timeout=0)

    def feed(self, data: bytes) -> bytes:
        self._port.write(data)
        return b""

    def tick(self) -> bytes:
        return bytes(self._port.read(65536))

    def close(self) -> None:
        self._port.close()


class Cables:
    """Boards of a modelled bench, each behind a cable that can be pulled and plugged in elsewhere."""

    def __init__(self, stack: ExitStack, folder: Path) -> None:
        self._stack, self._folder = stack, folder
        self.listed: dict[str, Candidate] = {}
        self._pull: dict[str, object] = {}

    def plug(self, place: str, relay: Relay) -> None:
        name, pull = self._stack.enter_context(unplug(relay, relay.tick))
        link = self._folder / place
        os.symlink(name, link)
        self.listed[place], self._pull[place] = Candidate(str(link), baud=500_000), pull

    def pull(self, place: str) -> None:
        (self._folder / place).unlink()
        del self.listed[place]
        self._pull.pop(place)()  # type: ignore[operator]


@pytest.fixture
def cables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Cables, dict[Role, Relay]]]:
    """A served pair with both cables in, `hand` and `craft`."""
    bench, over = open_bench("sim"), threading.Event()
    server = make_server(bench)
    thread = threading.Thread(target=server.run, args=(over.is_set,))
    thread.start()
    with ExitStack() as stack:
        stack.callback(server.close)
        stack.callback(thread.join)
        stack.callback(over.set)
        relays = {role: Relay(name) for role, name in server.names.items()}
        for relay in relays.values():
            stack.callback(relay.close)
        plugs = Cables(stack, tmp_path)
        monkeypatch.setattr("benchctl.ports.assign.candidates", lambda: list(plugs.listed.values()))
        for role, relay in relays.items():
            plugs.plug(str(role), relay)
        yield plugs, relays


@pytest.mark.parametrize("back", [True, False])
def test_a_soak_goes_on_with_a_board_that_comes_back(cables, back: bool) -> None:
    """Known again by its label on another socket; one that stays away leaves the soak undecided."""
    plugs, relays = cables
    heard: list[Event] = []
    bench = open_ports(benchfile.parse(b'kind = "serial"\n[board.hand]\n[board.craft]\n'), {})
    bench.operator = NoOperator()
    timers = [threading.Timer(3.0, plugs.pull, ("craft",))]
    if back:
        timers.append(threading.Timer(4.0, plugs.plug, ("elsewhere", relays[Role.CRAFT])))
    runner = Runner(parse(SOAK.replace(b"{patience}", b"10" if back else b"2"), "replugged.toml"), bench, heard.append)
    try:
        for timer in timers:
            timer.start()
        runner.run()
        for timer in timers:
            timer.join()
        where = bench.boards[Role.CRAFT].port.name
    finally:
        bench.close()
    said = [event.text for event in heard if isinstance(event, Note)]
    readings = {f"{e.reading.name}": e.reading.value for e in heard if hasattr(e, "reading")}

    assert any("the craft board is out of reach" in text for text in said)
    if back:
        assert "the craft board answers again" in said
        assert where.endswith("/elsewhere")
        assert readings["craft.absences"] == 1
        assert readings["hand.absences"] == 0
        assert readings["craft.resets"] == 0
    else:
        assert runner.verdicts["soak"] is Verdict.UNDECIDED
