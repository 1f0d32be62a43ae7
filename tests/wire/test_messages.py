"""Any body either decodes to a message that encodes to the same bytes, or is Malformed with a reason."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.wire import catalogue, cheader, messages
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
    }
    return st.fixed_dictionaries({f.name: kinds[f.type] for f in fields})


@st.composite
def any_message(draw: st.DrawFn) -> Msg:
    m = draw(st.sampled_from(catalogue.MESSAGES))
    number = draw(st.integers(0, 0xFFFF))
    fields = draw(values(m.fields))
    if not m.tail:
        return Msg(m.name, number, fields)
    room = MAX_BODY - 3 - struct.calcsize(struct_code(m.fields))
    if m.tail[0].name == "byte":
        return Msg(m.name, number, fields, (), draw(st.binary(max_size=room)))
    most = room // struct.calcsize(struct_code(m.tail))
    rows = draw(st.lists(values(m.tail), max_size=most))
    return Msg(m.name, number, fields, tuple(tuple(r[f.name] for f in m.tail) for r in rows))  # type: ignore[misc]


@given(any_message())
def test_round_trip(message: Msg) -> None:
    """What is encoded decodes to the same message, and fits a frame."""
    body = messages.encode(message.kind, message.number, message.fields, message.rows, message.data)

    assert len(body) <= MAX_BODY
    assert messages.decode(body) == message


@given(st.binary(max_size=MAX_BODY))
def test_any_body_is_a_message_or_malformed(body: bytes) -> None:
    out = messages.decode(body)
    if isinstance(out, Malformed):
        assert out.reason
    else:
        assert out.number == int.from_bytes(body[1:3], "little")


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
        assert not messages.is_idempotent(name)
    assert messages.is_idempotent("stop")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "'channel' is missing"),
        ({"channel": 1, "width_us": 1, "x": 1}, "'x' is unknown"),
        ({"channel": 300, "width_us": 1}, "pulse"),
    ],
)
def test_encode_names_the_wrong_field(fields: dict[str, int], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        messages.encode("pulse", 1, fields)


def test_unknown_kind_and_too_long_text() -> None:
    with pytest.raises(ValueError, match="no message"):
        messages.encode("sing", 1, {})
    with pytest.raises(ValueError, match="16 bytes"):
        messages.encode("arm", 1, {"channel": 1, "nonce": 1, "label": "x" * 17})


def test_undecodable_label_bytes_are_shown_not_raised() -> None:
    body = bytearray(messages.encode("arm", 1, {"channel": 1, "nonce": 1, "label": "ab"}))
    body[-16] = 0xFF
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


def test_firmware_header_is_the_catalogue() -> None:
    """The header in the firmware's folder is what the catalogue generates."""
    assert HEADER.read_text() == cheader.header()
