"""A soak over real serial lines whose cable is pulled and put into another socket: it goes on, and counts it."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import pytest
from stepped import Counted, SteppedTime, stepped

from benchctl import benchfile
from benchctl.benches import open_bench
from benchctl.events import Answer, Event, Note, Prompt
from benchctl.operators import NoOperator
from benchctl.ports.bench import open_ports
from benchctl.ports.discover import Candidate
from benchctl.procedure.file import parse
from benchctl.procedure.runner import Runner
from benchctl.terms import Role, Verdict

SOAK = b"""
name = "replugged"
[[stage]]
kind = "soak"
[stage.parameters]
seconds = 8.0
patience = {patience}
"""


#: the pair as if no servo were plugged in, so that nobody need attest that the battery is
NOTHING_SWINGS = b"""
kind = "serial"
[pair.board.hand]
label = "mudlark-hand-01"
pins = { radio_ce = "D6", radio_csn = "D7", radio_irq = "D2" }
[pair.board.craft]
label = "mudlark-craft-01"
pins = { radio_ce = "D6", radio_csn = "D7", radio_irq = "D2" }
"""


class Sockets:
    """Where the boards' cables are plugged in; each time a place of its own."""

    def __init__(self, served: SteppedTime, folder: Path) -> None:
        self._served, self._folder, self._numbers = served, folder, itertools.count()
        self._places: dict[Role, Path] = {}
        for role in served.outlets:
            self._link(role)

    def _link(self, role: Role) -> None:
        self._places[role] = self._folder / f"socket{next(self._numbers)}"
        os.symlink(self._served.outlets[role].name, self._places[role])

    def listed(self) -> list[Candidate]:
        return [Candidate(str(place), baud=500_000) for place in self._places.values()]

    def pull(self, role: Role) -> None:
        self._places.pop(role).unlink()
        self._served.outlets[role].pull()

    def plug(self, role: Role) -> None:
        self._served.outlets[role] = Counted()
        self._link(role)


@pytest.mark.parametrize("back", [True, False])
def test_a_soak_goes_on_with_a_board_that_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, back: bool
) -> None:
    """Known again by its label on another socket; one that stays away leaves the soak undecided."""
    heard: list[Event] = []
    with stepped(open_bench("sim"), monkeypatch) as served:
        sockets = Sockets(served, tmp_path)
        monkeypatch.setattr("benchctl.ports.assign.candidates", sockets.listed)
        bench = open_ports(benchfile.parse(NOTHING_SWINGS), {})
        bench.operator = NoOperator()
        served.server._reset_on_open = False  # only the cable is pulled: the board runs on, at a battery
        served.at(bench.now() + 3.0, lambda: sockets.pull(Role.CRAFT))
        if back:
            served.at(bench.now() + 4.0, lambda: sockets.plug(Role.CRAFT))
        patience = b"10" if back else b"2"
        runner = Runner(parse(SOAK.replace(b"{patience}", patience), "replugged.toml"), bench, heard.append)
        try:
            runner.run()
            where = bench.boards[Role.CRAFT].port.name
        finally:
            bench.close()
    said = [event.text for event in heard if isinstance(event, Note)]
    readings = {f"{e.reading.name}": e.reading.value for e in heard if hasattr(e, "reading")}

    assert any("the craft board is out of reach" in text for text in said)
    if back:
        assert "the craft board answers again" in said
        assert where.endswith("/socket2")
        assert readings["craft.absences"] == 1
        assert readings["hand.absences"] == 0
        assert readings["craft.resets"] == 0
    else:
        assert runner.verdicts["soak"] is Verdict.UNDECIDED


PLUG_IN = b'name = "first evening"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0.5\n'


class Onlooker(NoOperator):
    """A person who is told what to do and does it by hand; nothing is typed."""

    by = "person"


def test_boards_are_asked_for_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is plugged in when the run begins; each board is asked for, why it is not there yet is said, and the
    run goes on by itself when it answers."""
    heard: list[Event] = []
    with stepped(open_bench("sim"), monkeypatch) as served:
        sockets = Sockets(served, tmp_path)
        for role in (Role.HAND, Role.CRAFT):
            sockets.pull(role)
        monkeypatch.setattr("benchctl.ports.assign.candidates", sockets.listed)
        bench = open_ports(benchfile.parse(b'kind = "serial"\npair = "mudlark"\n'), {})
        bench.operator = Onlooker()
        runner = Runner(parse(PLUG_IN, "plug.toml"), bench, heard.append)
        served.at(bench.now() + 6.0, lambda: sockets.plug(Role.HAND))
        served.at(bench.now() + 14.0, lambda: sockets.plug(Role.CRAFT))
        try:
            verdict = runner.run()
        finally:
            bench.close()
    asked = [e.text for e in heard if isinstance(e, Prompt)]
    done = [(e.text, e.by) for e in heard if isinstance(e, Answer)]
    said = [e.text for e in heard if isinstance(e, Note)]

    assert verdict is Verdict.PASS
    wanted = ["Plug in the hand unit mudlark-hand-01 now", "Plug in the craft unit mudlark-craft-01 now"]
    assert [text.partition(".")[0] for text in asked] == wanted
    assert done == [("done", "measured")] * 2
    assert any("no new serial port has appeared for the hand board" in text and "only charge" in text for text in said)
