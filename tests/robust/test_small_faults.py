"""What a mutation run found that no other test would notice: ends of ranges, exact counts, wraps."""

from __future__ import annotations

import pytest
from cobs import cobs
from helpers import answer, event

from benchctl.safety.attestation import STATEMENTS, VALID_S
from benchctl.safety.interlock import Interlock
from benchctl.session.board import setting_bytes
from benchctl.session.exchange import Exchange
from benchctl.wire import msg
from benchctl.wire.catalogue import BY_NAME, SETTING_BY_NAME
from benchctl.wire.crc import crc16
from benchctl.wire.fields import from_wire, to_wire
from benchctl.wire.framing import MAX_BODY, Deframer, frame
from benchctl.wire.messages import Malformed, Msg, class_of, decode, encode


def test_request_numbers_go_round_without_zero() -> None:
    """Number 0 belongs to the stop; a request under 65536 could never be answered."""
    exchange, numbers = Exchange(), []
    for _ in range(0x10000 + 2):
        body = Deframer().feed(exchange.ask(msg.Clock(), 0.0, 1.0, 0))[0]
        numbers.append(body[1] | body[2] << 8)
        exchange.abandon()

    assert numbers[:2] == [1, 2]
    assert numbers[0xFFFD:] == [0xFFFE, 0xFFFF, 1, 2, 3]
    assert 0 not in numbers


def test_a_request_after_the_wrap_is_answered() -> None:
    exchange = Exchange()
    for _ in range(0xFFFF):
        exchange.ask(msg.Clock(), 0.0, 1.0, 0)
    asked = decode(Deframer().feed(exchange.ask(msg.Clock(), 0.0, 1.0, 0))[0])
    assert isinstance(asked, Msg)
    exchange.feed(answer(asked, received=1, sent=2))

    found = exchange.take_answer()
    assert found is not None
    assert found.sent == 2


@pytest.mark.parametrize(
    ("numbers", "lost"), [((0, 1), 0), ((0, 2), 1), ((0xFFFF, 0), 0), ((0xFFFE, 1), 2), ((5, 5), 0xFFFF)]
)
def test_lost_events_are_counted_exactly(numbers: tuple[int, int], lost: int) -> None:
    exchange = Exchange()
    for n in numbers:
        exchange.feed(event(msg.Captured(rows=[(1, 2)]), n))

    assert exchange.counts.lost_events == lost


def test_every_stray_and_every_malformed_body_counts_once() -> None:
    exchange = Exchange()
    assert exchange.counts.malformed == exchange.counts.stray_answers == 0
    exchange.feed(frame(b"\x7f\x01\x00"))
    exchange.feed(frame(encode(msg.ClockAnswer(received=0, sent=0), 1)))
    assert (exchange.counts.malformed, exchange.counts.stray_answers) == (1, 1)
    exchange.feed(frame(b"\x7f\x01\x00") * 2)
    exchange.feed(frame(encode(msg.ClockAnswer(received=0, sent=0), 1)) * 3)

    assert (exchange.counts.malformed, exchange.counts.stray_answers) == (3, 4)
    assert exchange.bytes_in == 3 * len(frame(b"\x7f\x01\x00")) + 4 * len(
        frame(encode(msg.ClockAnswer(received=0, sent=0), 1))
    )


def test_the_largest_body_is_what_the_chip_has_room_for() -> None:
    """100 bytes, as the firmware's header says (its `MAX_BODY` is generated from the same number)."""
    assert MAX_BODY == 100
    assert Deframer().feed(frame(b"\x05" * 100)) == [b"\x05" * 100]


@pytest.mark.parametrize("size", [0, 1, 2])
def test_a_body_that_is_too_short_is_refused_though_its_crc_is_right(size: int) -> None:
    body, deframer = b"\x01\x02"[:size], Deframer()
    coded = cobs.encode(body + crc16(body).to_bytes(2, "big"))

    assert deframer.feed(b"\0" + coded + b"\0") == []
    assert (deframer.counts.bad_length, deframer.counts.bytes_dropped) == (1, len(coded))


def test_dropped_bytes_are_counted_for_each_kind_of_damage() -> None:
    wrong_crc = cobs.encode(b"abcdef\x12\x34")
    bad_coding = b"\x0aab9999"
    deframer = Deframer()
    deframer.feed(wrong_crc + b"\0")
    assert deframer.counts.bytes_dropped == len(wrong_crc)
    deframer.feed(bad_coding + b"\0")
    assert deframer.counts.bytes_dropped == len(wrong_crc) + len(bad_coding)
    deframer.feed(b"\x01\x01\0")

    c = deframer.counts
    assert (c.bad_crc, c.bad_coding, c.bad_length) == (1, 1, 1)
    assert c.damaged == 3
    assert c.bytes_dropped == len(wrong_crc) + len(bad_coding) + 2


def test_the_largest_frame_may_come_before_its_end() -> None:
    """All of it but the delimiter is kept; one byte more is no frame."""
    body = bytes(range(1, MAX_BODY + 1))
    wire, deframer = frame(body), Deframer()
    assert deframer.feed(wire[:-1]) == []
    assert deframer.feed(wire[-1:]) == [body]
    assert deframer.feed(wire[:-1] + b"\1") == []
    assert deframer.feed(b"\0") == []
    assert deframer.counts.bad_length == 1


def test_a_text_of_sixteen_bytes_fits() -> None:
    assert to_wire("text16", "x" * 16) == b"x" * 16
    with pytest.raises(ValueError, match="does not fit 16 bytes"):
        to_wire("text16", "x" * 17)
    assert from_wire("u8", 200) == 200
    assert from_wire("text16", b"ab\0cd\0ef") == "ab"


def test_a_label_of_sixteen_bytes_fits() -> None:
    assert setting_bytes(SETTING_BY_NAME["label"], "x" * 16) == b"x" * 16
    assert setting_bytes(SETTING_BY_NAME["silence_ms"], 5000) == b"\x88\x13"
    assert setting_bytes(SETTING_BY_NAME["dead_band"], 9) == b"\x09"
    with pytest.raises(ValueError, match="does not fit 16 bytes"):
        setting_bytes(SETTING_BY_NAME["label"], "x" * 17)


def test_a_message_number_of_two_bytes_comes_back() -> None:
    for number in (0, 1, 0xFF, 0x100, 0xFFFF):
        assert decode(encode(msg.Clock(), number)).sequence == number  # type: ignore[union-attr]
    assert isinstance(decode(b"\x02\x01"), Malformed)
    assert isinstance(decode(b"\x02\x01\x00"), Msg)


def test_a_field_that_a_message_has_not_is_our_own_mistake() -> None:
    with pytest.raises(AttributeError, match="no attribute 'sent'"):
        msg.Clock(sequence=1).sent  # noqa: B018


def test_a_field_called_like_a_method_of_a_tuple_is_the_field() -> None:
    taken = {f.name: n for n, f in enumerate(BY_NAME["adc_answer"].fields)}

    assert msg.AdcAnswer(**{**taken, "count": 17}).count == 17


def test_what_moves_things_is_not_to_be_repeated() -> None:
    """Requests that start, move or erase something must not be sent twice by the session itself."""
    once = {"restart", "led", "arm", "throttle", "link_start", "radio_spi", "radio_send", "droop", "energy_scan"}
    assert not any(class_of(kind).IDEMPOTENT for kind in once)
    assert all(class_of(kind).IDEMPOTENT for kind in ("identify", "clock", "stop", "vitals", "setting_read"))


def test_an_attestation_counts_until_its_end() -> None:
    interlock, name = Interlock(), STATEMENTS[0].name
    assert not interlock.valid(name, 0.0)
    until = interlock.attest(name, 5.0)

    assert until == 5.0 + VALID_S
    assert interlock.valid(name, until - 0.001)
    assert not interlock.valid(name, until)
