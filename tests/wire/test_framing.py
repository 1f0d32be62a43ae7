"""Any bytes at all give either frame bodies whose CRC is right or counted damage, never an exception."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from benchctl.wire.crc import START, crc16
from benchctl.wire.framing import MAX_BODY, MAX_FRAME, Deframer, frame

BODIES = st.binary(min_size=3, max_size=MAX_BODY)


def test_crc_check_value() -> None:
    """CRC-16/IBM-3740 of "123456789" is 0x29B1 (catalogue of parametrised CRC algorithms)."""
    assert crc16(b"123456789") == 0x29B1
    assert crc16(b"") == START == 0xFFFF


def test_crc_in_parts_and_residue() -> None:
    """Feeding in parts gives the same; the CRC appended high byte first leaves remainder 0 (from memory)."""
    assert crc16(b"6789", crc16(b"12345")) == 0x29B1
    assert crc16(b"123456789" + (0x29B1).to_bytes(2, "big")) == 0


# Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM ToN 7(2), 1999; encodings by its rules
COBS_CASES = [
    (b"", "01"),
    (b"\x00", "01 01"),
    (b"\x00\x00", "01 01 01"),
    (b"\x00\x11\x00", "01 02 11 01"),
    (b"\x11\x22\x00\x33", "03 11 22 02 33"),
    (b"\x11\x22\x33\x44", "05 11 22 33 44"),
    (b"\x11\x00\x00\x00", "02 11 01 01 01"),
]


@pytest.mark.parametrize(("data", "coded"), COBS_CASES)
def test_cobs_examples(data: bytes, coded: str) -> None:
    """The coding we rely on is the published one."""
    assert cobs.encode(data) == bytes.fromhex(coded)


def test_frame_is_cobs_between_delimiters() -> None:
    """A frame is 00, COBS of body and CRC, 00."""
    body = b"\x01\x02\x00abc"

    wire = frame(body)

    assert wire[0] == wire[-1] == 0
    assert cobs.decode(wire[1:-1]) == body + crc16(body).to_bytes(2, "big")
    assert 0 not in wire[1:-1]


@pytest.mark.parametrize("size", [0, 2, MAX_BODY + 1])
def test_frame_refuses_other_sizes(size: int) -> None:
    with pytest.raises(ValueError, match=f"not {size}"):
        frame(bytes(size))


def test_largest_frame() -> None:
    """The largest body makes the largest frame the chip's buffers are made for."""
    assert len(frame(b"\x07" * MAX_BODY)) == MAX_FRAME + 2


def chunks(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


@given(st.lists(BODIES, max_size=6), st.lists(st.integers(0, 1000), max_size=10))
def test_any_chunking_gives_the_same_bodies(bodies: list[bytes], cuts: list[int]) -> None:
    """However a stream of frames is cut into pieces, the same bodies come out, in order, with no damage."""
    deframer, out = Deframer(), []
    for piece in chunks(b"".join(map(frame, bodies)), cuts):
        out += deframer.feed(piece)

    assert out == bodies
    assert deframer.counts.good == len(bodies)
    assert deframer.counts.damaged == 0


@given(st.binary(max_size=400), BODIES, st.lists(st.integers(0, 1000), max_size=5))
def test_next_frame_after_garbage_is_found(garbage: bytes, body: bytes, cuts: list[int]) -> None:
    """After any garbage the next whole frame comes out, and it is the last one out."""
    deframer, out = Deframer(), []
    for piece in chunks(garbage + frame(body), cuts):
        out += deframer.feed(piece)

    assert out[-1] == body


@given(st.binary(max_size=2000))
def test_only_right_crcs_come_out(noise: bytes) -> None:
    """Whatever comes out of noise was in it as a whole frame with a right CRC; the rest is counted."""
    deframer = Deframer()

    for body in deframer.feed(noise):
        assert cobs.encode(body + crc16(body).to_bytes(2, "big")) in noise
    parts = [p for p in noise.split(b"\0")[:-1] if p]
    assert deframer.counts.good + deframer.counts.damaged == len(parts)


def test_every_single_bit_error_is_noticed() -> None:
    """A CRC of 16 bits sees every single flipped bit, wherever it is; the frame never comes out changed."""
    body = bytes(range(1, 40))
    wire = frame(body)
    for bit in range(8, 8 * (len(wire) - 1)):
        damaged = bytearray(wire)
        damaged[bit // 8] ^= 1 << bit % 8
        assert Deframer().feed(bytes(damaged)) == []


def test_memory_is_bounded() -> None:
    """A board that sends without ever delimiting a frame does not fill memory, and is forgiven at the next 00."""
    deframer = Deframer()
    for _ in range(1000):
        assert deframer.feed(b"\x55" * 1000) == []
        assert len(deframer._rest) <= MAX_FRAME

    assert deframer.feed(frame(b"abc")) == [b"abc"]
    assert deframer.counts.bytes_dropped == 1_000_000
    assert deframer.counts.bad_length == 1


def test_damage_is_counted_by_kind() -> None:
    body = b"abcdef"
    coded = cobs.encode(body + crc16(body).to_bytes(2, "big"))
    wrong = cobs.encode(body + b"\x12\x34")
    deframer = Deframer()

    assert deframer.feed(b"\0" + wrong + b"\0" + b"\x0aab9999" + b"\0" + b"\x02a" + b"\0" + coded + b"\0") == [body]
    c = deframer.counts
    assert (c.good, c.bad_crc, c.bad_coding, c.bad_length) == (1, 1, 1, 1)


def test_many_mutated_frames() -> None:
    """A seeded sample of the long campaign: mutated frames never pass unless their CRC is right."""
    chance = random.Random(20)
    for _ in range(3000):
        body = chance.randbytes(chance.randint(3, 60))
        wire = bytearray(frame(body))
        for _ in range(chance.randint(1, 4)):
            wire[chance.randrange(len(wire))] = chance.randrange(256)
        for out in Deframer().feed(bytes(wire)):
            assert cobs.encode(out + crc16(out).to_bytes(2, "big")) in bytes(wire)
