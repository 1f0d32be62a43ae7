"""Any bytes at all: every request is answered with a well-formed message, and nothing ever arms."""

import ctypes
import random

import pytest
from host_probe import take_output

from benchctl.wire import catalogue as c
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, Msg, decode, encode


class Board:
    def __init__(self, probe, role=1, label=b"mudlark-craft-01"):
        self.p = probe
        self.deframer = Deframer()
        probe.eeprom_fill(0xFF)
        probe.load_settings()
        probe.write_setting(0, bytes([role]), 1)
        probe.write_setting(1, label.ljust(16, b"\0"), 16)
        probe.save_settings()
        probe.probe_begin()
        self.number = 0

    def turn(self, n=6):
        for _ in range(n):
            if self.p.probe_turn():
                self.p.probe_begin()
        messages = [decode(b) for b in self.deframer.feed(take_output(self.p))]
        bad = [m for m in messages if isinstance(m, Malformed)]
        assert bad == []
        assert self.deframer.counts.damaged == 0
        return messages

    def send(self, data):
        self.p.probe_receive(data, len(data))

    def ask(self, kind, data=b"", turns=6, **fields) -> Msg:
        self.number += 1
        self.send(frame(encode(kind, self.number, fields, data=data)))
        answers = [m for m in self.turn(turns) if c.BY_NAME[m.kind].direction is c.Direction.ANSWER]
        assert [m.number for m in answers] == [self.number]
        return answers[0]


@pytest.fixture
def board(probe):
    return Board(probe)


def test_the_boot_message_comes_first(board):
    first = board.turn()[0]

    assert (first.kind, first.number, first.label, first.role) == ("boot", 0, "mudlark-craft-01", 1)
    assert first.protocol == c.PROTOCOL


def test_identify_clock_echo(board):
    a = board.ask("identify")
    assert (a.kind, a.label, a.clock_hz, a.settings_ok) == ("identify_answer", "mudlark-craft-01", 16_000_000, 1)
    a = board.ask("clock")
    assert a.sent >= a.received
    assert board.ask("echo", data=bytes(range(90))).data == bytes(range(90))


def test_image_crc_is_crc32(probe):
    """IEEE 802.3, as zlib computes it."""
    import zlib

    assert probe.crc_of_image() == zlib.crc32(b"\x5a" * 3000)


def test_wrong_lengths_and_unknown_requests_are_refused(board):
    board.turn()
    for message in c.MESSAGES:
        if message.direction is not c.Direction.REQUEST or message.number == c.BY_NAME["restart"].number:
            continue
        if not message.fields:
            continue
        board.send(frame(bytes([message.number, 7, 0])))
        answers = [m for m in board.turn() if m.kind == "refusal"]

        assert [(m.to, m.code) for m in answers] == [(message.number, c.Error.LENGTH)], message.name
    board.send(frame(bytes([0x7E, 7, 0])))
    assert [(m.kind, m.code) for m in board.turn()] == [("refusal", c.Error.UNKNOWN)]


def test_no_transceiver_is_said_as_such(board):
    for kind, fields in (
        ("radio_apply", {}),
        ("loop_start", {"trace": 0}),
        ("link_start", {"mode": 1, "test": 1, "count": 5, "interval_us": 0, "payload": 8}),
        ("energy_scan", {"first": 0, "last": 5, "dwell_us": 200, "sweeps": 1}),
    ):
        answer = board.ask(kind, **fields)

        assert (answer.kind, answer.code) == ("refusal", c.Error.PART), kind


def test_motor_channels_take_no_servo_pulse_and_no_pin(board):
    assert board.ask("pulse", channel=2, width_us=1500).code == c.Error.GUARDED
    assert board.ask("pulse", channel=1, width_us=1500).kind == "pulse_answer"
    assert board.ask("pin", function=c.Function.PULSE2, mode=3).code == c.Error.PIN


@pytest.mark.parametrize("function", [c.Function.RADIO_CE, c.Function.RADIO_CSN, c.Function.PULSE1])
def test_a_motor_pin_that_something_else_drives_is_no_motor_pin(board, function):
    """The transceiver's lines and other pulses pass the pin check, so they and a motor exclude each other."""
    board.ask("setting_write", key=c.PIN_KEYS + function, data=b"\x12")

    assert board.ask("arm_challenge", channel=2, radio=0).code == c.Error.GUARDED


def test_arming_over_the_wire(board):
    nonce = board.ask("arm_challenge", channel=2, radio=0).nonce
    assert board.ask("arm", channel=2, nonce=nonce, label="mudlark-craft-01").state == c.GuardState.ARMED
    assert board.ask("throttle", channel=2, permille=100, number=1).state == c.GuardState.LIVE
    assert board.ask("stop").state == c.GuardState.IDLE
    assert board.ask("throttle", channel=2, permille=100, number=2).state == c.GuardState.IDLE


def test_a_hand_unit_never_arms(probe):
    board = Board(probe, role=0, label=b"mudlark-hand-01")

    assert board.ask("arm_challenge", channel=2, radio=0).code == c.Error.ROLE
    assert board.ask("pulse", channel=1, width_us=1500).code == c.Error.ROLE


def random_body(chance):
    """Biased to what could do something: real types, real sizes, the guard's messages most."""
    message = chance.choice([m for m in c.MESSAGES if m.direction is c.Direction.REQUEST])
    number = chance.choice((message.number, c.BY_NAME["arm"].number, c.BY_NAME["throttle"].number))
    size = chance.choice((0, 1, 2, 3, 4, 5, 7, 9, 12, 21, 40))
    return bytes([number, chance.randrange(256), chance.randrange(256)]) + chance.randbytes(size)


@pytest.mark.parametrize("seed", range(4))
def test_random_and_replayed_frames_never_arm(probe, seed):
    """Well-framed random requests, old frames sent again, raw noise between them: the guard stays below armed."""
    chance = random.Random(seed)
    board = Board(probe)
    board.turn()
    nonce = board.ask("arm_challenge", channel=2, radio=0).nonce
    recorded = [
        frame(encode("arm", 77, {"channel": 2, "nonce": nonce, "label": "mudlark-craft-01"})),
        frame(encode("throttle", 78, {"channel": 2, "permille": 100, "number": 5})),
    ]
    board.ask("stop")
    for _ in range(4000):
        pick = chance.random()
        if pick < 0.7:
            board.send(frame(random_body(chance)))
        elif pick < 0.85:
            board.send(chance.choice(recorded))
        else:
            board.send(chance.randbytes(chance.randrange(1, 60)))
        board.turn(2)

        assert board.p.guard_state() in (c.GuardState.IDLE, c.GuardState.CHALLENGED)
    idle = ctypes.c_uint16(board.p.guard_width_ticks(2)).value
    assert idle in range(2 * 800, 2 * 1200 + 1) or idle == 0


# ---------------------------------------------------------------------- over the air


def by_air(board, data):
    board.p.receive_by_air(data, len(data))


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("arm_challenge", {"channel": 2, "radio": 0}),
        ("arm", {"channel": 2, "nonce": 1, "label": "mudlark-craft-01"}),
        ("throttle", {"channel": 2, "permille": 10, "number": 1}),
    ],
)
def test_what_arms_and_drives_is_refused_by_air(board, kind, fields):
    """The very frames that a cable may bring are refused, and the guard does not move."""
    board.turn()
    by_air(board, frame(encode(kind, 7, fields)))
    answers = [m for m in board.turn() if m.kind == "refusal"]

    assert [(m.number, m.code) for m in answers] == [(7, c.Error.GUARDED)]
    assert board.ask("guard_read").state == c.GuardState.IDLE


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_frame_with_one_byte_from_the_air_is_one_of_the_air(board, cut):
    """Wherever a frame is cut, begun over the air and ended by the line or the other way round."""
    board.turn()
    wire = frame(encode("arm_challenge", 7, {"channel": 2, "radio": 0}))
    by_air(board, wire[:cut])
    board.send(wire[cut:])
    first = [m for m in board.turn() if m.number == 7]
    board.send(wire[:cut])
    board.turn()
    by_air(board, wire[cut:])
    second = [m for m in board.turn() if m.number == 7]

    assert [m.kind for m in first + second].count("arm_challenge_answer") <= (cut == 1)
    assert {getattr(m, "code", None) for m in second} <= {c.Error.GUARDED}


def test_the_next_frame_of_the_line_is_one_of_the_line(board):
    by_air(board, frame(encode("echo", 1, {}, data=b"a")))
    board.turn()

    assert board.ask("arm_challenge", channel=2, radio=0).kind == "arm_challenge_answer"
