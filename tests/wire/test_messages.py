"""Any body either decodes to a message that encodes to the same bytes, or is Malformed with a reason."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.wire import catalogue, cheader, classes, messages, msg
from benchctl.wire.base import RowEvent
from benchctl.wire.catalogue import Direction
from benchctl.wire.fields import SCALARS, Field, struct_code
from benchctl.wire.framing import MAX_BODY
from benchctl.wire.messages import Malformed, Msg

HEADER = Path(__file__).parents[2] / "firmware_probe" / "catalogue.h"


def values(fields: tuple[Field, ...]) -> st.SearchStrategy[dict[str, object]]:
    kinds = {
        "u8": st.integers(0, 0xFF),
        "u16": st.integers(0, 0xFFFF),
        "u32": st.integers(0, 0xFFFFFFFF),
        "i16": st.integers(-0x8000, 0x7FFF),
        "text16": st.text(st.characters(min_codepoint=1, max_codepoint=126), max_size=16),
        "bytes3": st.binary(min_size=3, max_size=3),
        "bytes4": st.binary(min_size=4, max_size=4),
    }
    return st.fixed_dictionaries({f.name: kinds[f.type] for f in fields})


@st.composite
def any_message(draw: st.DrawFn) -> Msg:
    m = draw(st.sampled_from(catalogue.MESSAGES))
    number = draw(st.integers(0, 0xFFFF))
    fields = draw(values(m.fields))
    if not m.tail:
        return messages.class_of(m.name)(sequence=number, **fields)
    room = MAX_BODY - 3 - struct.calcsize(struct_code(m.fields))
    if m.tail[0].name == "byte":
        return messages.class_of(m.name)(sequence=number, data=draw(st.binary(max_size=room)), **fields)
    most = room // struct.calcsize(struct_code(m.tail))
    rows = draw(st.lists(values(m.tail), max_size=most))
    tail = tuple(tuple(r[f.name] for f in m.tail) for r in rows)
    return messages.class_of(m.name)(sequence=number, rows=tail, **fields)


@given(any_message())
def test_round_trip(message: Msg) -> None:
    """What is encoded decodes to the same message, and fits a frame."""
    body = messages.encode(message)

    assert len(body) <= MAX_BODY
    assert messages.decode(body) == message


@given(st.binary(max_size=MAX_BODY))
def test_any_body_is_a_message_or_malformed(body: bytes) -> None:
    out = messages.decode(body)
    if isinstance(out, Malformed):
        assert out.reason
    else:
        assert out.sequence == int.from_bytes(body[1:3], "little")


def test_numbers_and_names_are_unique() -> None:
    assert len({m.number for m in catalogue.MESSAGES}) == len({m.name for m in catalogue.MESSAGES})
    assert len(catalogue.BY_NUMBER) == len(catalogue.MESSAGES)


def test_every_request_has_its_answer() -> None:
    """An answer's number is the request's with bit 7 set; events have neither."""
    for m in catalogue.MESSAGES:
        if m.direction is Direction.REQUEST:
            answer = catalogue.BY_NAME[f"{m.name}_answer"]
            assert answer.number == m.number | catalogue.ANSWER_BIT
            assert answer.direction is Direction.ANSWER


def test_every_message_fits_a_frame_with_a_record() -> None:
    for m in catalogue.MESSAGES:
        size = 3 + struct.calcsize(struct_code(m.fields)) + struct.calcsize(struct_code(m.tail))
        assert size <= MAX_BODY, m.name


def test_nothing_that_moves_is_repeated() -> None:
    """Requests that arm, throttle or start something are never sent twice by themselves; the stop may be."""
    for name in ("arm_challenge", "arm", "throttle", "link_start", "restart", "self_stimulus", "radio_spi"):
        assert not messages.class_of(name).IDEMPOTENT
    assert msg.Stop.IDEMPOTENT


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "'channel' is missing"),
        ({"channel": 1, "width_us": 1, "x": 1}, "'x' is unknown"),
    ],
)
def test_a_message_with_a_wrong_field_cannot_be_made(fields: dict[str, int], said: str) -> None:
    with pytest.raises(TypeError, match=said):
        msg.Pulse(**fields)


def test_values_that_do_not_fit_name_the_message() -> None:
    with pytest.raises(ValueError, match="message pulse"):
        msg.Pulse(channel=300, width_us=1).encode()
    with pytest.raises(ValueError, match="a row of message captured"):
        msg.Captured(rows=[(1, 0x10000)])
    with pytest.raises(ValueError, match="16 bytes"):
        messages.encode(msg.Arm(channel=1, nonce=1, label="x" * 17, cap_permille=300), 1)


def test_undecodable_label_bytes_are_shown_not_raised() -> None:
    body = bytearray(messages.encode(msg.Arm(channel=1, nonce=1, label="ab", cap_permille=300), 1))
    body[-18] = 0xFF
    out = messages.decode(bytes(body))

    assert isinstance(out, Msg)
    assert out.label == "\ufffdb"


def test_settings_defaults_are_in_range() -> None:
    for s in catalogue.SETTINGS:
        assert s.type in SCALARS
        if isinstance(s.default, int) and s.max:
            assert s.min <= s.default <= s.max, s.name
    assert len({s.key for s in catalogue.SETTINGS}) == len(catalogue.SETTINGS)
    assert max(s.key for s in catalogue.SETTINGS) < catalogue.PIN_KEYS
    assert catalogue.PIN_KEYS + len(catalogue.Function) <= catalogue.PULSE_KIND_KEYS


@given(any_message())
def test_rows_and_their_columns_say_the_same(message: Msg) -> None:
    """Rows bear the catalogue's names; the columns of several events are those of their rows, one after the other."""
    tail = catalogue.BY_NUMBER[message.TYPE].tail
    if not isinstance(message, RowEvent):
        return
    columns = type(message).columns([message, message])

    assert message.row_count == len(message.rows)
    assert columns._fields == tuple(f.name for f in tail)
    for name in columns._fields:
        assert getattr(columns, name).tolist() == [getattr(row, name) for row in message.rows] * 2


def test_bytes_that_are_no_whole_row_are_malformed() -> None:
    """A row cut short, or anything behind the fields of a message without a tail."""
    for message, size in ((msg.Captured(rows=[(1, 2)]), 6), (msg.Clock(), 300)):
        for more in range(1, size):
            assert isinstance(messages.decode(message.encode() + bytes(more)), Malformed)
    assert isinstance(messages.decode(msg.Captured().encode() + bytes(6)), msg.Captured)


def test_a_message_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        msg.Pulse(channel=1, width_us=1500).channel = 2  # type: ignore[misc]


def test_message_classes_are_the_catalogue() -> None:
    """The checked-in classes are what the catalogue generates (`make -C firmware_probe catalogue`)."""
    assert Path(msg.__file__).read_text() == classes.classes()


def test_firmware_header_is_the_catalogue() -> None:
    """The header in the firmware's folder is what the catalogue generates."""
    assert HEADER.read_text() == cheader.header()
