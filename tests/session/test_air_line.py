"""The line to a far board, packet by packet, against a far end written from the description alone."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import pytest
from helpers import BOOT, IDENTIFY, FakeBench, answer, event, refusal

from benchctl.errors import NoAnswer, Refused, Restarted
from benchctl.safety.stop import COPIES, stop_ports
from benchctl.session.over_air import FarBoard
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import Error
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Msg, decode, encode

#: heads of packets, from the firmware's description (relay.h), not from the module under test
TO, FROM, NUMBER, WANTED, ANEW, AT_ONCE = 0x50, 0xA0, 1, 2, 4, 8


class Air:
    """The relaying board and, behind it, the far one.

    fails: of the packets to come, what happens: "lost" (no acknowledgement), "unheard" (the far board has it, its
    acknowledgement is lost), "busy", "silent" (the relaying board says nothing).
    """

    def __init__(self) -> None:
        self.fails: list[str] = []
        self.packets: list[bytes] = []
        self.times: list[float] = []
        self.requests: list[Msg] = []
        self.out = self._late = b""  # late: comes with the next packet
        self.anew = True
        self._wanted = self._number = 0
        self._sent: bytes | None = None
        self._deframer = Deframer()
        self.bench = FakeBench({Role.HAND: self._near})
        self.board = FarBoard(Role.CRAFT, self.bench.boards[Role.HAND])

    def _near(self, asked: Msg) -> Iterable[bytes]:
        if isinstance(asked, msg.Identify):
            return [answer(asked, **IDENTIFY)]
        assert isinstance(asked, msg.RadioSend)
        self.packets.append(asked.data)
        self.times.append(self.bench.now())
        what = self.fails.pop(0) if self.fails else ""
        if what == "silent":
            return []
        if what == "busy":
            return [refusal(asked, Error.BUSY)]
        back = self._far(asked.data) if what != "lost" else b""
        ok = what not in ("lost", "unheard")
        return [answer(asked, ok=int(ok), retries=0, took=500, data=back if ok else b"")]

    def _far(self, packet: bytes) -> bytes:
        head, piece = packet[0], packet[1:]
        assert head & 0xF0 == TO
        if head & ANEW:
            assert not piece
            self.anew, self._wanted, self._number, self._sent = False, 0, 0, None
            return b""
        if self.anew:
            return bytes((FROM | ANEW,))
        self.out, self._late = self.out + self._late, b""
        if self._sent is not None and (head >> 1) & 1 != self._number:
            self._number ^= 1
            self._sent = None
        if piece and head & NUMBER == self._wanted:
            self._wanted ^= 1
            self._take(piece)
        if self._sent is None and self.out:
            self._sent, self.out = self.out[:31], self.out[31:]
        return bytes((FROM | self._number,)) + self._sent if self._sent is not None else b""

    def _take(self, piece: bytes) -> None:
        for body in self._deframer.feed(piece):
            asked = decode(body)
            assert isinstance(asked, Msg)
            self.requests.append(asked)
            if isinstance(asked, msg.Identify):
                self.out += answer(asked, **{**IDENTIFY, "role": 1, "label": "mudlark-craft-01"})
            elif isinstance(asked, msg.Echo):
                self.out += answer(asked, data=asked.data)
            else:
                self._late += refusal(asked, Error.UNKNOWN)


@pytest.fixture
def air() -> Air:
    made = Air()
    made.board.open()
    made.packets.clear()
    made.times.clear()
    made.requests.clear()
    return made


def test_opening_brings_up_the_relaying_board_first(air) -> None:
    assert air.bench.boards[Role.HAND].identity is not None
    assert air.board.identity.label == "mudlark-craft-01"
    assert air.board.via == "hand"
    assert "air_reach" in air.board.silence_hint


@pytest.mark.parametrize("what", ["lost", "unheard", "busy", "silent"])
@pytest.mark.parametrize("size", [0, 1, 3, 30, 90])
def test_every_request_is_carried_out_once(air, what: str, size: int) -> None:
    """Whatever happens to every second packet on its way; what is not acknowledged comes again."""
    data = bytes(range(1, size + 1))
    air.fails = [what, ""] * 60

    assert air.board.ask(msg.Echo(data=data), repeats=0, timeout=30.0).data == data
    assert [m.NAME for m in air.requests] == ["echo"]
    assert air.board.exchange.counts.stray_answers == 0
    assert all(len(p) == 1 or 9 <= len(p) <= 32 for p in air.packets)


def test_packets_and_losses_are_counted(air) -> None:
    """A packet that never went, because the relaying board was busy, is none."""
    sent, lost = air.board.packets()
    air.fails = ["lost", "unheard", "busy", "silent"]
    air.board.ask(msg.Echo(data=b"x"))

    now_sent, now_lost = air.board.packets()
    assert now_sent - sent == len(air.packets) - 2
    assert now_lost - lost == 2


def test_after_a_loss_it_waits_and_after_busy_longer(air) -> None:
    """30 ms without an acknowledgement, a quarter of a second while the transceiver is used for something else."""
    air.fails = ["lost", "busy", ""]
    air.board.ask(msg.Echo(data=b"x"))
    gaps = [b - a for a, b in pairwise(air.times)]

    assert 0.03 <= gaps[0] < 0.04
    assert 0.25 <= gaps[1] < 0.26
    assert max(gaps[2:]) < 0.005


def test_when_nothing_happens_it_asks_less_often(air) -> None:
    """Every 2 ms while an answer may come, every 20 ms 0.1 s later."""
    air.board.ask(msg.Echo(data=b"x"))
    air.packets.clear()
    air.times.clear()
    with pytest.raises(NoAnswer):
        air.board.wait_event(msg.Captured, 1.0)
    gaps = [b - a for a, b in pairwise(air.times)]

    assert max(gaps[:15]) < 0.006
    assert min(gaps[-15:]) >= 0.02
    assert 50 < len(air.packets) < 110


def test_three_silences_of_the_relaying_board_are_borne_the_fourth_is_said(air) -> None:
    air.fails = ["silent"] * 3
    assert air.board.ask(msg.Echo(data=b"x"), timeout=5.0).data == b"x"
    air.fails = ["silent"] * 3 + ["busy"] + ["silent"] * 3
    assert air.board.ask(msg.Echo(data=b"y"), timeout=5.0).data == b"y"
    air.fails = ["silent"] * 4
    with pytest.raises(NoAnswer, match="the hand board did not answer “radio send”"):
        air.board.ask(msg.Echo(data=b"z"), timeout=5.0)
    assert air.fails == []


def test_what_was_given_up_does_not_go_any_more(air) -> None:
    air.fails = ["lost"] * 400
    with pytest.raises(NoAnswer):
        air.board.ask(msg.Echo(data=b"given up"), repeats=0)
    air.fails = []
    air.board.ask(msg.Echo(data=b"after"))

    assert [m.data for m in air.requests] == [b"after"]


def test_a_repeat_of_what_still_waits_is_not_queued_twice(air) -> None:
    """The session repeats after a second; the first copy has not gone yet."""
    air.fails = ["lost"] * 50
    assert air.board.ask(msg.Echo(data=b"once")).data == b"once"

    assert air.board.exchange.counts.repeats >= 1
    assert len(air.requests) == 1


def test_a_far_board_that_starts_anew(air) -> None:
    """What was under way is lost, both count from 0, and its boot message comes before all else."""
    air.board.ask(msg.Echo(data=b"x"))
    air.anew = True
    air.out = event(msg.Boot(**BOOT), 0)
    with pytest.raises(Restarted, match="brown-out"):
        air.board.ask(msg.Echo(data=b"y"), timeout=3.0)
    air.board.clear_restart()

    assert air.board.ask(msg.Echo(data=b"z")).data == b"z"
    assert air.requests[0].data == b"x"


def test_noise_in_an_acknowledgement_is_no_byte_of_the_far_board(air) -> None:
    before = air.board.exchange.bytes_in
    other = air.board.line._wanted ^ NUMBER
    for data in (b"", b"\x00", b"\x51abc", b"\xb0abc", bytes((FROM | other,)) + b"of another number"):
        assert not air.board.line._take(data)
    air.board.poll()

    assert air.board.exchange.bytes_in == before
    assert air.board.line.begun


def test_while_held_and_once_closed_nothing_goes(air) -> None:
    air.board.pause(True)
    air.bench.wait(1.0)
    air.board.poll()
    assert air.packets == []
    air.board.pause(False)
    air.board.poll()
    assert len(air.packets) >= 1
    air.packets.clear()
    air.board.port.reset()
    air.board.port.close()
    air.bench.wait(1.0)
    air.board.poll()
    assert air.packets == []


def test_a_stop_goes_past_everything_queued(air) -> None:
    """Without a number, each of its copies in a packet, through the relaying board's own urgent way."""
    air.board.line.write(frame(encode(msg.Echo(data=bytes(90)), 7)))
    stop_ports({Role.CRAFT: air.board.port})

    assert len(air.packets) == COPIES
    for packet in air.packets:
        assert packet[0] == TO | AT_ONCE
        assert Deframer().feed(packet[1:]) == [encode(msg.Stop(silent=0), 0)]
        assert 9 <= len(packet) <= 32


def test_a_board_that_measures_is_left_alone(air) -> None:
    """The request goes, then nothing for the time it takes; the answer has that much longer."""
    air.board.measuring(2.0)
    with pytest.raises(Refused):
        air.board.ask(msg.Droop(load=0, source=0, first_us=0, step_us=1, points=1, settle_ms=0, prescaler=4, repeats=1))  # fmt: skip
    gaps = [b - a for a, b in pairwise(air.times)]

    assert 2.0 <= max(gaps) < 2.01
    assert len(gaps) < 10
    assert air.board.ask(msg.Echo(data=b"soon")).data == b"soon"
    assert air.times[-1] - air.times[-2] < 0.3
