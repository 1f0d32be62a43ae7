"""Any bytes at all: every request is answered with a well-formed message, and nothing ever arms."""

import ctypes
import random
from typing import Any

import pytest
from helpers import MUDLARK_PINS
from host_probe import take_output

from benchctl.wire import catalogue as c
from benchctl.wire import msg
from benchctl.wire.base import Answer, Request
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, decode, encode


class Board:
    def __init__(self, probe, role=1, label=b"mudlark-craft-01", confirmed=(1, 2)):
        self.p = probe
        self.deframer = Deframer()
        probe.eeprom_fill(0xFF)
        probe.load_settings()
        probe.write_setting(0, bytes([role]), 1)
        probe.write_setting(1, label.ljust(16, b"\0"), 16)
        for function, pin in MUDLARK_PINS.items():
            probe.write_setting(c.PIN_KEYS + function, bytes([pin]), 1)
        for n, kind in enumerate((c.PulseKind.SERVO, c.PulseKind.MOTOR)):
            probe.write_setting(c.PULSE_KIND_KEYS + n, bytes([kind]), 1)
        for channel in confirmed:
            probe.confirm_output(channel)
        probe.save_settings()
        probe.probe_begin()
        self.number = self.restarts = 0

    def turn(self, n=6):
        for _ in range(n):
            if self.p.probe_turn():
                self.p.probe_begin()
                self.restarts += 1
        messages = [decode(b) for b in self.deframer.feed(take_output(self.p))]
        bad = [m for m in messages if isinstance(m, Malformed)]
        assert bad == []
        assert self.deframer.counts.damaged <= 2 * self.restarts  # a restart cuts a frame off
        return messages

    def send(self, data):
        self.p.probe_receive(data, len(data))

    def ask(self, request: Request[Any], turns=6) -> Any:
        self.number += 1
        self.send(frame(request.encode(self.number)))
        answers = [m for m in self.turn(turns) if isinstance(m, Answer)]
        assert [m.sequence for m in answers] == [self.number]
        return answers[0]


@pytest.fixture
def board(probe):
    return Board(probe)


def test_the_boot_message_comes_first(board):
    first = board.turn()[0]

    assert (first.NAME, first.sequence, first.label, first.role) == ("boot", 0, "mudlark-craft-01", 1)
    assert first.protocol == c.PROTOCOL


def test_identify_clock_echo(board):
    a = board.ask(msg.Identify())
    assert (a.NAME, a.label, a.clock_hz, a.settings_ok) == ("identify_answer", "mudlark-craft-01", 16_000_000, 1)
    a = board.ask(msg.Clock())
    assert a.sent >= a.received
    assert board.ask(msg.Echo(data=bytes(range(90)))).data == bytes(range(90))


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
        answers = [m for m in board.turn() if isinstance(m, msg.Refusal)]

        assert [(m.to, m.code) for m in answers] == [(message.number, c.Error.LENGTH)], message.name
    board.send(frame(bytes([0x7E, 7, 0])))
    assert [(m.NAME, m.code) for m in board.turn()] == [("refusal", c.Error.UNKNOWN)]


def test_no_transceiver_is_said_as_such(board):
    for request in (
        msg.RadioApply(),
        msg.LoopStart(trace=0),
        msg.LinkStart(mode=1, test=1, count=5, interval_us=0, payload=8),
        msg.EnergyScan(first=0, last=5, dwell_us=200, sweeps=1),
    ):
        answer = board.ask(request)

        assert (answer.NAME, answer.code) == ("refusal", c.Error.PART), request


def test_motor_channels_take_no_servo_pulse_and_no_pin(board):
    assert board.ask(msg.Pulse(channel=2, width_us=1500)).code == c.Error.GUARDED
    assert isinstance(board.ask(msg.Pulse(channel=1, width_us=1500)), msg.PulseAnswer)
    assert board.ask(msg.Pin(function=c.Function.PULSE2, mode=3)).code == c.Error.PIN


LABEL = "mudlark-craft-01"


def open_wiring(board):
    """Into the state in which the wiring may be changed, the right way."""
    nonce = board.ask(msg.ArmChallenge(channel=0, radio=0)).nonce
    answer = board.ask(msg.Arm(channel=0, nonce=nonce, label=LABEL, cap_permille=0))
    assert answer.state == c.GuardState.WIRING


def guarded_writes():
    """A write of every setting that decides what a pulse output can emit."""
    keys = [c.SETTING_BY_NAME[n] for n in c.GUARDED_SETTINGS]
    yield from (msg.SettingWrite(key=s.key, data=int(s.default).to_bytes(2, "little")) for s in keys)
    for n in range(6):
        yield msg.SettingWrite(key=c.PIN_KEYS + c.Function.PULSE1 + n, data=b"\x12")
        yield msg.SettingWrite(key=c.PULSE_KIND_KEYS + n, data=b"\x01")


def test_what_outputs_can_emit_is_written_in_one_state_only(board):
    """Refused at rest, challenged and armed; taken while wiring; refused by air even then."""
    for request in (*guarded_writes(), msg.SettingsDefault()):
        assert board.ask(request).code == c.Error.GUARDED, request
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    assert board.ask(msg.SettingWrite(key=14, data=b"\x20\x03")).code == c.Error.GUARDED
    board.ask(msg.Arm(channel=2, nonce=nonce, label=LABEL, cap_permille=300))
    assert board.ask(msg.SettingWrite(key=14, data=b"\x20\x03")).code == c.Error.GUARDED
    assert board.ask(msg.GuardRead()).state == c.GuardState.ARMED
    board.ask(msg.Stop(silent=0))
    open_wiring(board)
    by_air(board, frame(msg.SettingWrite(key=14, data=b"\x20\x03").encode(900)))
    board.turn()
    assert board.ask(msg.SettingRead(key=14)).data == (1000).to_bytes(2, "little")
    for request in guarded_writes():
        assert isinstance(board.ask(request), msg.SettingWriteAnswer), request
    assert board.ask(msg.GuardRead()).state == c.GuardState.WIRING


def test_a_changed_output_is_silent_until_it_was_tried_and_confirmed(board):
    """Also after a restart; so are the others, since they share what is told."""
    assert board.ask(msg.GuardRead()).confirmed == 0b11
    open_wiring(board)
    board.ask(msg.SettingWrite(key=14, data=(1100).to_bytes(2, "little")))
    assert board.ask(msg.GuardRead()).confirmed == 0
    assert board.ask(msg.Output(channel=2, act=c.OutputAct.CONFIRM)).code == c.Error.GUARDED
    board.ask(msg.Stop(silent=0))
    assert board.p.guard_width_ticks(2) == 0
    assert board.ask(msg.ArmChallenge(channel=2, radio=0)).code == c.Error.UNCONFIRMED
    board.ask(msg.SettingsSave(), turns=40)
    board.p.probe_begin()
    board.turn()
    assert board.p.guard_width_ticks(2) == 0
    assert board.p.guard_width_ticks(1) == 0


def test_a_servo_that_is_not_confirmed_takes_no_pulse(probe):
    board = Board(probe, confirmed=(2,))
    assert board.ask(msg.Pulse(channel=1, width_us=1500)).code == c.Error.UNCONFIRMED
    assert board.ask(msg.Load(load=c.Load.SERVO, on=1, strength=100)).code == c.Error.PIN
    assert board.p.guard_width_ticks(1) == 0


@pytest.mark.parametrize("act", [c.OutputAct.TRY, c.OutputAct.CONFIRM])
def test_outputs_are_tried_and_confirmed_while_wiring_only(board, act):
    assert board.ask(msg.Output(channel=1, act=act)).code == c.Error.GUARDED
    assert board.ask(msg.Output(channel=3, act=act)).code == c.Error.PIN


def test_an_output_is_forgotten_at_any_time(board):
    assert board.ask(msg.Output(channel=2, act=c.OutputAct.FORGET)).confirmed == 0b01
    assert board.p.guard_width_ticks(2) == 0


def test_arming_over_the_wire(board):
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    assert board.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300)).state == c.GuardState.ARMED
    assert board.ask(msg.Throttle(channel=2, permille=100, number=1)).state == c.GuardState.LIVE
    assert board.ask(msg.Stop(silent=0)).state == c.GuardState.IDLE
    assert board.ask(msg.Throttle(channel=2, permille=100, number=2)).state == c.GuardState.IDLE


def test_a_hand_unit_never_arms(probe):
    board = Board(probe, role=0, label=b"mudlark-hand-01")

    assert board.ask(msg.ArmChallenge(channel=2, radio=0)).code == c.Error.ROLE
    assert board.ask(msg.Pulse(channel=1, width_us=1500)).code == c.Error.ROLE


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
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    recorded = [
        frame(encode(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300), 77)),
        frame(encode(msg.Throttle(channel=2, permille=100, number=5), 78)),
    ]
    board.ask(msg.Stop(silent=0))
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
    "asked",
    [
        msg.ArmChallenge(channel=2, radio=0),
        msg.Arm(channel=2, nonce=1, label="mudlark-craft-01", cap_permille=300),
        msg.Throttle(channel=2, permille=10, number=1),
        msg.Output(channel=1, act=c.OutputAct.TRY),
    ],
)
def test_what_arms_and_drives_is_refused_by_air(board, asked):
    """The very frames that a cable may bring are refused, and the guard does not move."""
    board.turn()
    by_air(board, frame(asked.encode(7)))
    answers = [m for m in board.turn() if isinstance(m, msg.Refusal)]

    assert [(m.sequence, m.code) for m in answers] == [(7, c.Error.GUARDED)]
    assert board.ask(msg.GuardRead()).state == c.GuardState.IDLE


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_frame_with_one_byte_from_the_air_is_one_of_the_air(board, cut):
    """Wherever a frame is cut, begun over the air and ended by the line or the other way round."""
    board.turn()
    wire = frame(encode(msg.ArmChallenge(channel=2, radio=0), 7))
    by_air(board, wire[:cut])
    board.send(wire[cut:])
    first = [m for m in board.turn() if m.sequence == 7]
    board.send(wire[:cut])
    board.turn()
    by_air(board, wire[cut:])
    second = [m for m in board.turn() if m.sequence == 7]

    assert [m.NAME for m in first + second].count("arm_challenge_answer") <= (cut == 1)
    assert {getattr(m, "code", None) for m in second} <= {c.Error.GUARDED}


def test_the_next_frame_of_the_line_is_one_of_the_line(board):
    by_air(board, frame(encode(msg.Echo(data=b"a"), 1)))
    board.turn()

    assert isinstance(board.ask(msg.ArmChallenge(channel=2, radio=0)), msg.ArmChallengeAnswer)
