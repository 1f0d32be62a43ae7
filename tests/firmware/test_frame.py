"""Frames of the firmware against the host's: any bytes give bodies or counted damage, and the next frame is found."""

import ctypes
import random

import pytest
from host_probe import take_output
from hypothesis import given, settings
from hypothesis import strategies as st

from benchctl.wire.framing import MAX_BODY, Deframer, frame
from benchctl.wire.messages import decode


def feed(probe, data):
    body = ctypes.create_string_buffer(128)
    out = []
    for byte in data:
        n = probe.decoder_feed(byte, body)
        if n:
            out.append(body.raw[:n])
    return out


@pytest.mark.parametrize(
    "body",
    [b"\1\0\0", bytes(3), bytes(MAX_BODY), b"\xff" * MAX_BODY, bytes(range(MAX_BODY)), b"\0\1" * 50, b"abc"],
    ids=lambda b: f"{len(b)}:{b[:3].hex()}",
)
def test_both_directions(probe, body):
    """The host's frame is decoded, and the firmware's frame of the same body is the host's to the byte."""
    probe.decoder_reset()

    assert feed(probe, frame(body)) == [body]

    probe.send_frame(body[0], body[1] | body[2] << 8, body[3:], len(body) - 3)

    assert take_output(probe) == frame(body)[1:]


def test_random_bodies(probe):
    chance = random.Random(1)
    probe.decoder_reset()
    for _ in range(500):
        body = bytes(chance.choice((0, 0, 1, 255, chance.randrange(256))) for _ in range(chance.randrange(3, 101)))

        assert feed(probe, frame(body)) == [body]


def test_damage_is_counted_and_the_next_frame_found(probe):
    """Whatever the deframer of the host takes or refuses, the chip's does too."""
    chance = random.Random(2)
    probe.decoder_reset()
    host = Deframer()
    for _ in range(2000):
        data = bytearray(frame(bytes(chance.randrange(256) for _ in range(chance.randrange(3, 40)))))
        for _ in range(chance.randrange(3)):
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)

        assert feed(probe, bytes(data)) == host.feed(bytes(data))

    good = frame(b"\1\2\3")
    feed(probe, b"\0")

    assert feed(probe, good) == [b"\1\2\3"]
    assert probe.bad_frames() > 0


def test_too_long_a_frame_is_damage(probe):
    probe.decoder_reset()
    before = probe.bad_frames()

    assert feed(probe, b"\x01" * 300 + b"\0") == []
    assert feed(probe, b"\xff" * 300 + b"\0") == []
    assert probe.bad_frames() == before + 2
    assert feed(probe, frame(bytes(MAX_BODY))) == [bytes(MAX_BODY)]


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400))
def test_garbage_never_hides_the_next_frame(library, data):
    loaded = ctypes.CDLL(str(library))
    loaded.decoder_reset()
    feed(loaded, data + b"\0")

    assert feed(loaded, frame(b"\x08\x01\x00hello")) == [b"\x08\x01\x00hello"]


def test_rows_share_a_frame_until_it_is_full(probe):
    """Seven records of 13 bytes fill a frame of at most 100 bytes; another head begins a new one."""
    for n in range(10):
        probe.send_row(0x63, b"\x05", 1, bytes([n]) + bytes(12), 13)
    probe.send_row(0x63, b"\x06", 1, bytes([99]) + bytes(12), 13)
    probe.flush_events()
    messages = [decode(b) for b in Deframer().feed(take_output(probe))]

    assert [(m.NAME, m.sequence, m.fields["test"], len(m.rows)) for m in messages] == [
        ("link_sent", 0, 5, 7),
        ("link_sent", 1, 5, 3),
        ("link_sent", 2, 6, 1),
    ]
    assert [row[0] & 0xFF for m in messages for row in m.rows] == [*range(10), 99]


def test_an_answer_ends_the_open_frame_of_rows(probe):
    probe.send_row(0x69, b"", 0, bytes(7), 7)
    probe.send_event(0x61, bytes(4), 4)
    messages = [decode(b) for b in Deframer().feed(take_output(probe))]

    assert [(m.NAME, m.sequence) for m in messages] == [("trace", 0), ("done", 1)]
