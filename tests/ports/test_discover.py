"""Who answers on a port, and which board is meant."""

from __future__ import annotations

import os
import subprocess
import sys
import threading

import pytest

from benchctl.errors import UsageError
from benchctl.ports import assign, discover, loader
from benchctl.ports.assign import Wanted, find_boards, match
from benchctl.ports.discover import Candidate, Found, State, probe, survey
from benchctl.ports.listen import is_text
from benchctl.session.boot import Identity
from benchctl.terms import Role
from benchctl.wire.catalogue import BAUDS

from .boot_loader import BootLoader
from .conftest import SPEEDS
from .scripted import AtSpeed, ScriptedBoard, Silent, Talker, on_pty, on_socket, unplug


def test_a_board_is_told_with_role_and_label() -> None:
    """A board of ours says who it is; its port is closed again."""
    with on_pty(ScriptedBoard("craft", "mudlark-craft-03")) as name:
        found = probe(name, 1.0)

    assert State.BOARD is found.state
    assert f"{name}: craft board mudlark-craft-03, firmware 1.2" == found.sentence
    assert found.line is None
    assert found.baud == 500_000


def test_the_boot_loader_is_waited_out() -> None:
    """A board that lets the first requests pass, as a boot loader does, is found all the same."""
    with on_pty(ScriptedBoard(deaf_for=2)) as name:
        assert State.BOARD is probe(name, 2.0).state


def test_silence() -> None:
    """A port on which nothing ever comes says what to look at."""
    with on_pty(Silent()) as name:
        found = probe(name, 0.1)

    assert State.SILENT is found.state
    assert f"benchctl flash {name}" in found.sentence


@pytest.mark.long
def test_another_firmware_that_prints_text() -> None:
    """A stranger's text is shown."""
    says = b"joy 512 498\r\n"
    with on_pty(Talker(says), tick=lambda: says) as name:
        found = probe(name, 0.1)

    assert State.OTHER is found.state
    assert "it sent the text" in found.sentence
    assert "joy 512 498" in found.sentence


@pytest.mark.long
def test_another_device_that_sends_binary() -> None:
    """What is no text is shown in hexadecimal, at most 16 bytes of it."""
    with on_pty(Talker(bytes(range(0x80, 0xC0)))) as name:
        found = probe(name, 0.1)

    assert State.OTHER is found.state
    assert "80 81 82" in found.sentence
    assert "90" not in found.sentence.removeprefix(name)


@pytest.mark.skipif(sys.platform != "linux", reason="only there a pseudo-terminal tells any speed at its other end")
@pytest.mark.parametrize("baud", [250_000, 115_200, 1_000_000])
def test_a_board_set_to_another_speed_is_found_at_it(baud: int) -> None:
    """All speeds that the firmware can be set to are tried, and the sentence says which it is."""
    with on_pty(AtSpeed(ScriptedBoard(), baud)) as name:
        found = probe(name, 0.1)

    assert State.BOARD is found.state
    assert baud == found.baud
    assert found.sentence.endswith(f", at {baud} Bd")


@pytest.mark.long
@pytest.mark.skipif(sys.platform != "linux", reason="only there a pseudo-terminal tells any speed at its other end")
def test_text_at_another_speed_is_read() -> None:
    """Another firmware's text is found at the speed that it prints at."""
    device = AtSpeed(Talker(b"battery 7.4 V\r\n"), 57_600)
    with on_pty(device, tick=lambda: device.feed(b"")) as name:
        found = probe(name, 0.1)

    assert State.OTHER is found.state
    assert "'battery 7.4 V" in found.sentence
    assert "at 57600 Bd" in found.sentence


class Quiet(AtSpeed):
    """At another speed it says nothing."""

    def feed(self, data: bytes) -> bytes:
        return self.device.feed(data) if self.speed() == self.baud else b""


@pytest.mark.skipif(sys.platform != "linux", reason="only there a pseudo-terminal tells any speed at its other end")
@pytest.mark.parametrize("baud", [115_200, 57_600])
def test_a_boot_loader_without_a_program(baud: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new board with nothing but its loader is told apart from a silent port, and what to do is said."""
    monkeypatch.setattr(loader, "SPEEDS", SPEEDS)
    with on_pty(Quiet(BootLoader(lambda: baud, at=baud), baud)) as name:
        found = probe(name, 0.1)

    assert (found.state, found.loader) == (State.LOADER, baud)
    assert f"a boot loader answers at {baud} Bd" in found.sentence
    assert f"benchctl flash {name}" in found.sentence


def test_another_protocol_version_says_what_to_do() -> None:
    """A board of ours with an older firmware is told apart from a stranger."""
    with on_pty(ScriptedBoard(protocol=0)) as name:
        found = probe(name, 0.5)

    assert State.WRONG_IMAGE is found.state
    assert "protocol 0, older than ours" in found.sentence


def test_unplugged_while_probing() -> None:
    """A cable pulled in the middle is a port that is gone."""
    with unplug(Silent()) as (name, pull):
        threading.Timer(0.1, pull).start()
        found = probe(name, 5.0)

    assert State.GONE is found.state


def test_states_of_ports_that_do_not_open() -> None:
    """Missing and unfit ports are states, not exceptions."""
    assert State.GONE is probe("/dev/ttyUSB77").state
    assert State.OTHER is probe("/dev/null").state
    assert State.GONE is probe("socket://127.0.0.1:1").state


def test_several_ports_at_once_in_their_order() -> None:
    """Probing is parallel; the answers come in the order asked."""
    with (
        on_pty(Silent()) as a,
        on_pty(ScriptedBoard()) as b,
        on_socket(ScriptedBoard("craft", "mudlark-craft-01")) as c,
    ):
        found = survey([Candidate(a, "first", BAUDS[0]), Candidate(b), Candidate(c)], 0.2)

    assert [a, b, c] == [f.port for f in found]
    assert [f.state for f in found] == [State.SILENT, State.BOARD, State.BOARD]
    assert found[0].description == "first"
    assert survey([]) == []


def test_the_systems_list_is_read() -> None:
    """Whatever ports this machine has, each has a name and a description."""
    assert all(c.port and c.description for c in discover.candidates())


@pytest.mark.parametrize(
    ("sample", "text"), [(b"ok\r\n", True), (b"ok", False), (b"\xf8\x00\xf8\x00hi", False), (b"x" * 60 + b"\xff", True)]
)
def test_what_counts_as_text(sample: bytes, text: bool) -> None:
    """A torn first character does not make a line of text into noise."""
    assert text is is_text(sample)


# ---------------------------------------------------------------------- which board is meant


def board(port: str, role: Role = Role.HAND, label: str = "") -> Found:
    who = Identity(1, "1.0", "", role, label, 16_000_000, 1, "power on", "flags", 1, 700, True, b"\x1e\x95\x0f")
    return Found(port, State.BOARD, f"{port}: {role} board {label or 'without a label'}", identity=who)


HAND1 = board("/dev/a", Role.HAND, "mudlark-hand-01")
HAND2 = board("/dev/b", Role.HAND, "mudlark-hand-02")
CRAFT1 = board("/dev/c", Role.CRAFT, "mudlark-craft-01")
NEW1, NEW2 = board("/dev/d"), board("/dev/e")
MUTE = Found("/dev/f", State.SILENT, "/dev/f: nothing answers")
TAKEN = Found("/dev/g", State.BUSY, "/dev/g: in use by terminal (process 7)")
HAND = Wanted(Role.HAND, "mudlark-hand-01")
CRAFT = Wanted(Role.CRAFT, "mudlark-craft-01")
ANY_HAND = Wanted(Role.HAND)
AT_F = Wanted(Role.CRAFT, "mudlark-craft-01", "/dev/f")
AT_G = Wanted(Role.CRAFT, "mudlark-craft-01", "/dev/g")
AT_C = Wanted(Role.HAND, "mudlark-hand-01", "/dev/c")

MATCHES = [
    # wishes, found, ports by role, roles missing
    ([HAND, CRAFT], [CRAFT1, HAND2, HAND1], {"hand": "/dev/a", "craft": "/dev/c"}, []),
    ([ANY_HAND, CRAFT], [HAND2, CRAFT1], {"hand": "/dev/b", "craft": "/dev/c"}, []),
    # the one new board is the one that is still wanted
    ([HAND, CRAFT], [HAND1, NEW1], {"hand": "/dev/a", "craft": "/dev/d"}, []),
    ([ANY_HAND], [NEW1, CRAFT1], {"hand": "/dev/d"}, []),
    # one new board, two wishes: nobody can tell
    ([HAND, CRAFT], [NEW1], {}, ["hand", "craft"]),
    ([HAND, CRAFT], [HAND2, MUTE], {}, ["hand", "craft"]),
    ([HAND, CRAFT], [], {}, ["hand", "craft"]),
    # a named port has what it has: the label is for the identity stage to judge
    ([AT_C], [CRAFT1], {"hand": "/dev/c"}, []),
    ([HAND, AT_F], [MUTE, HAND1], {"hand": "/dev/a"}, ["craft"]),
]


@pytest.mark.parametrize(("wishes", "found", "ports", "missing"), MATCHES)
def test_matching(wishes: list[Wanted], found: list[Found], ports: dict[str, str], missing: list[str]) -> None:
    """By port, by label, by role, and at last the only board without a label."""
    assigned = match(wishes, found)

    assert ports == {r.value: f.port for r, f in assigned.boards.items()}
    assert missing == [r.value for r in assigned.missing]


@pytest.mark.parametrize(
    ("wishes", "found", "says"),
    [
        ([ANY_HAND], [HAND1, HAND2], "more than one board could be the hand board"),
        ([HAND], [NEW1, NEW2], "plugging in one at a time"),
        ([AT_G], [TAKEN], r"in use by terminal \(process 7\)"),
    ],
)
def test_no_guessing(wishes: list[Wanted], found: list[Found], says: str) -> None:
    """Where two boards fit, or something else sits on the named port, the sentence says so."""
    with pytest.raises(UsageError, match=says):
        match(wishes, found)


def test_missing_boards_are_told_with_what_was_found() -> None:
    """The sentence lists every port that was looked at."""
    assert (
        (match([HAND], [MUTE]).missing[Role.HAND])
        == "no hand board labelled mudlark-hand-01 answers on any port: /dev/f: nothing answers"
    )


def test_whatever_is_plugged_in() -> None:
    """With nothing wanted every board counts; two of a role, a wrong label, or nobody, is an error."""
    everything = assign.all_by_role([HAND1, MUTE, CRAFT1], {})

    assert everything.boards == {Role.HAND: HAND1, Role.CRAFT: CRAFT1}
    assert HAND2 is assign.all_by_role([HAND1, HAND2], {Role.HAND: "mudlark-hand-02"}).boards[Role.HAND]
    with pytest.raises(UsageError, match="more than one"):
        assign.all_by_role([HAND1, HAND2], {})
    with pytest.raises(UsageError, match="labelled mudlark-hand-07"):
        assign.all_by_role([HAND1], {Role.HAND: "mudlark-hand-07"})
    with pytest.raises(UsageError, match="no board answers: there are no serial ports"):
        assign.all_by_role([], {})


def test_finding_opens_what_is_meant_and_closes_the_rest() -> None:
    """Only the boards that are meant stay open; their ports work."""
    with on_pty(ScriptedBoard()) as a, on_pty(ScriptedBoard("craft", "mudlark-craft-01")) as b, on_pty(Silent()) as c:
        assigned = find_boards(
            [CRAFT], [Candidate(a, baud=BAUDS[0]), Candidate(b, baud=BAUDS[0]), Candidate(c, baud=BAUDS[0])], 0.2
        )
        line = assigned.boards[Role.CRAFT].line
        assert line is not None
        line.write(b"")
        line.close()
        # the other one is free again
        assert State.BOARD is probe(a, 0.5).state


def test_two_names_of_one_port_are_one(tmp_path: object) -> None:
    """A port named by a link is not probed a second time under its own name."""
    with on_pty(ScriptedBoard()) as name:
        link = f"{tmp_path}/hand"
        os.symlink(name, link)
        assigned = find_boards([Wanted(Role.HAND, port=link), CRAFT], [Candidate(name)], 0.2)
        line = assigned.boards[Role.HAND].line
        assert line is not None
        line.close()

    assert list(assigned.missing) == [Role.CRAFT]


def test_a_second_process_is_refused() -> None:
    """Two processes on one port: the second is told who has it."""
    with on_pty(ScriptedBoard()) as name:
        assigned = find_boards([Wanted(Role.HAND, port=name)], [], 0.5)
        script = f"from benchctl.ports.discover import probe; print(probe({name!r}).sentence)"
        said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
        line = assigned.boards[Role.HAND].line
        assert line is not None
        line.close()

    assert f"{name}: in use by" in said
    assert f"process {os.getpid()}" in said
