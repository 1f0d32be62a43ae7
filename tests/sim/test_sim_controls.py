"""Switch, joystick, control loop, pulses and sensor against the parts that they are read from."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from benchctl.analysis.timing import AVR_16MHZ, RadioFormat, one_way_floor_us
from benchctl.errors import Refused
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Function, Point


def rows_of(board, kind: type[Any]) -> list[Any]:
    return [row for e in board.events(kind) for row in e.rows]


def test_edges_are_those_of_the_contact_but_for_the_interrupt(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board, switch = bench.boards[Role.HAND], bench.world.boards[Role.HAND].switches["switch1"]
    probe = bench.chips[Role.HAND].probe
    assert board.ask(msg.Watch(function=Function.SWITCH1, on=1)).level == 1
    for _ in range(20):
        switch.press(bench.now())
        bench.wait(0.05)
        switch.release(bench.now())
        bench.wait(0.05)
    board.ask(msg.Watch(function=Function.SWITCH1, on=0))
    seen = rows_of(board, msg.Edges)
    true = [(probe.tick(t), int(level)) for t, level in switch.edges]

    assert len(true) > 60
    # an edge and its return within one interrupt go unseen; everything else is stamped within 10 µs of it
    assert len(true) - len(seen) <= 0.1 * len(true)
    assert [level for _, level in seen] == [n % 2 for n in range(len(seen))]
    ticks = np.array([t for t, _ in true])
    for at, _ in seen:
        late = at - ticks[ticks <= at][-1]
        assert 0 <= late <= 20
    bench.wait(0.1)
    switch.press(bench.now())
    bench.wait(0.1)
    assert rows_of(board, msg.Edges) == []


def test_stick_stream_shows_where_the_hand_holds_it(open_sim) -> None:
    bench = open_sim("[board.hand]\nadc_noise_mv = 0.0")
    board, stick = bench.boards[Role.HAND], bench.world.boards[Role.HAND].joystick
    start = bench.now()
    stick.move(1.0, -1.0, start, start + 1.0)
    board.ask(msg.StickStream(interval_us=5000, count=200))
    board.wait_done(msg.StickStream, 3.0)
    events = board.events(msg.StickRows)
    rows = [row for e in events for row in e.rows]
    firsts = [e.first for e in events]

    assert len(rows) == 200
    assert firsts == list(itertools.accumulate([0] + [len(e.rows) for e in events[:-1]]))
    x, y = (np.array(c) for c in zip(*rows, strict=True))
    assert x[0] == pytest.approx(514, abs=8)
    assert x[-1] == pytest.approx(1016, abs=8)
    assert y[-1] == pytest.approx(8, abs=8)
    assert np.all(np.diff(x) > -8)


def test_stick_without_its_pins_is_refused(open_sim) -> None:
    board = open_sim("[board.hand]").boards[Role.HAND]
    board.write_pin(Function.JOY_Y, NO_PIN)
    with pytest.raises(Refused) as refused:
        board.ask(msg.StickStream(interval_us=5000, count=2))
    assert refused.value.code == "pin"


def test_self_stimulus_only_where_it_is_allowed(open_sim) -> None:
    bench = open_sim("[board.hand.settings]\nself_stimulus = 0")
    board = bench.boards[Role.HAND]
    order = {"function": Function.SWITCH1, "presses": 3, "down_us": 20_000, "up_us": 30_000}
    with pytest.raises(Refused) as refused:
        board.ask(msg.SelfStimulus(**order))
    assert refused.value.code == "guarded"
    board.write_setting("self_stimulus", 1)
    line = bench.world.boards[Role.HAND].switches["switch1"].line
    levels: list[float] = []
    line.connect(lambda level, time: levels.append(level))
    board.ask(msg.SelfStimulus(**order))
    board.wait_done(msg.SelfStimulus, 1.0)
    trace = rows_of(board, msg.Trace)

    assert levels == [0.0, 1.0] * 3
    assert [(p, v) for p, v, _ in trace] == [(Point.STIMULUS, 0), (Point.STIMULUS, 1)] * 3
    assert {(b[2] - a[2]) & 0xFFFFFFFF for a, b in zip(trace[::2], trace[1::2], strict=True)} <= {
        40_000,
        40_001,
        39_999,
    }


@pytest.fixture
def loop(open_sim):
    """(bench, hand, craft) with the control loop running on both, traced, acting on the first edge."""
    quiet = "[board.{0}.serial]\nlatency_ms = 0.0\n[board.{0}.oscillator]\nppm = 0.0\nwander_ppm = 0.0\n"
    text = "[board.hand]\n" + quiet.format("hand") + "[board.craft]\n" + quiet.format("craft")
    bench = open_sim(text)
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    hand.write_setting("debounce_us", 0)
    for board in (craft, hand):
        board.ask(msg.LoopStart(trace=1))
    bench.wait(0.1)
    for board in (craft, hand):
        board.forget_events()
    return bench, hand, craft


def test_button_reaches_the_led_in_the_time_of_upload_air_and_decode(loop) -> None:
    bench, hand, _craft = loop
    world = bench.world.boards
    lit: list[float] = []
    world[Role.CRAFT].led.lit.connect(lambda level, time: lit.append(time) if level else None)
    pressed = []
    for _ in range(30):
        bench.wait(0.0933)  # no multiple of the interval: the packet of the press mostly finds the radio free
        pressed.append(bench.now())
        hand.ask(msg.SelfStimulus(function=Function.SWITCH1, presses=1, down_us=30_000, up_us=1000))
        bench.wait(0.04)
    trace = rows_of(hand, msg.Trace)
    down = [at for p, v, at in trace if p == Point.STIMULUS and v == 0]
    edges = [at for p, v, at in trace if p == Point.EDGE and v == 0]
    back = [at for p, v, at in trace if p == Point.LOOP and v == 1]
    takes = sorted(((b - a) & 0xFFFFFFFF) / 2 for a, b in zip(down, back, strict=True))
    floor = one_way_floor_us(RadioFormat(1_000_000, 8), AVR_16MHZ)

    assert len(lit) == len(down) == len(edges) == 30
    # two turns of the main loop and slower SPI than the floor's come on top
    assert floor + 20 < takes[0] < floor + 120
    assert takes[len(takes) // 2] < floor + 200
    assert takes[-1] < floor + 1500


def test_trace_points_come_in_their_order_and_carry_packet_numbers(loop) -> None:
    bench, hand, craft = loop
    bench.wait(1.0)
    for board in (hand, craft):
        board.ask(msg.LoopStop())
    bench.wait(0.05)
    mine, theirs = rows_of(hand, msg.Trace), rows_of(craft, msg.Trace)
    sent = {v: at for p, v, at in mine if p == Point.SENT}
    received = [v for p, v, _ in theirs if p == Point.RECEIVED]

    assert len(sent) == pytest.approx(50, abs=2)
    assert received == sorted(received)
    assert set(received) <= set(sent) | {min(sent) - 1}
    for number, at in sent.items():
        queued = next(t for p, v, t in mine if p == Point.QUEUED and v == number)
        done = [t for p, v, t in mine if p == Point.DONE and v == number]
        assert queued < at
        assert not done or at < done[0]
    starts = [at for p, _, at in mine if p == Point.QUEUED]
    assert np.allclose(np.diff(starts), 40_000, atol=20)


def test_debounced_switch_is_steady_for_the_time_set(loop) -> None:
    bench, hand, _ = loop
    hand.ask(msg.LoopStop())
    hand.write_setting("debounce_us", 5000)
    hand.ask(msg.LoopStart(trace=1))
    bench.wait(0.05)
    hand.forget_events()
    switch = bench.world.boards[Role.HAND].switches["switch1"]
    for _ in range(10):
        switch.press(bench.now())
        bench.wait(0.1)
        switch.release(bench.now())
        bench.wait(0.1)
    trace = rows_of(hand, msg.Trace)
    decided = [(v, at) for p, v, at in trace if p == Point.DECIDED]
    edges = np.array([at for p, _, at in trace if p == Point.EDGE])

    assert [v for v, _ in decided] == [0, 1] * 10
    for _, at in decided:
        last = edges[edges < at][-1]
        assert at - last == pytest.approx(10_000, abs=80)


def test_lost_packets_are_counted_by_both_ends(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.craft]\n[air]\npath_loss_db = 86.0")
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    hand.write_setting("loop_ack", 0)
    for board in (craft, hand):
        board.ask(msg.LoopStart(trace=0))
    bench.wait(20.0)
    mine, theirs = hand.ask(msg.LoopStop()), craft.ask(msg.LoopStop())

    assert mine.packets == pytest.approx(1000, abs=10)
    assert theirs.lost > 20
    # what was lost before the first packet that arrived, and after the last, nobody at the craft can know
    assert mine.packets - 12 < theirs.packets + theirs.lost <= mine.packets
    assert rows_of(hand, msg.Trace) == []


@pytest.mark.parametrize(("counts", "width_us"), [(0, 1000), (512, 1500.5), (1023, 2000)])
def test_stick_moves_the_servo_and_the_pulse_is_captured(loop, counts: int, width_us: float) -> None:
    bench, hand, craft = loop
    hand.ask(msg.StickSet(on=1, x=counts, y=512))
    bench.wait(1.0)
    servo = bench.world.boards[Role.CRAFT].servos["pulse1"]
    hand.events(msg.Captured)
    hand.ask(msg.Capture(on=1))
    bench.wait(0.5)
    pulses = rows_of(hand, msg.Captured)

    assert servo.last_width_s * 1e6 == pytest.approx(width_us, abs=0.6)
    # 90° per ms around 1500 µs
    assert servo.angle(bench.now()) == pytest.approx((width_us - 1500) * 0.09, abs=0.5)
    assert {w for _, w in pulses} <= {round(2 * width_us) + d for d in (-1, 0, 1)}
    assert np.allclose(np.diff([at for at, _ in pulses]), 40_000, atol=1)
    read = craft.ask(msg.PulseRead(channel=1))
    assert (read.width, read.frame) == (pytest.approx(2 * width_us, abs=1), 40_000)


def test_servo_pulse_by_request_and_its_end(open_sim) -> None:
    bench = open_sim("[board.craft]")
    craft, servo = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].servos["pulse1"]
    craft.ask(msg.Pulse(channel=1, width_us=1750))
    bench.wait(0.5)
    assert servo.last_width_s == pytest.approx(1750e-6, abs=0.3e-6)
    craft.ask(msg.Pulse(channel=1, width_us=0))
    bench.wait(0.05)
    before = servo.pulses
    bench.wait(0.5)
    assert servo.pulses == before
    for channel, width, code in ((1, 400, "value"), (0, 1500, "value"), (3, 1500, "pin")):
        with pytest.raises(Refused) as refused:
            craft.ask(msg.Pulse(channel=channel, width_us=width))
        assert refused.value.code == code


def test_sensor_is_found_read_and_streamed(open_sim) -> None:
    bench = open_sim("[board.craft]\n[board.craft.imu]\naddress = 0x69")
    board = bench.boards[Role.CRAFT]
    assert list(board.ask(msg.TwiScan(slow=1)).data) == [0x69]
    # register map of the MPU-6050: WHO_AM_I is 0x68 whatever AD0 says
    answer = board.ask(msg.TwiRead(address=0x69, reg=0x75, count=1))
    assert (answer.status, answer.data) == (0, b"\x68")
    assert board.ask(msg.TwiRead(address=0x68, reg=0x75, count=1)).status == 0x20
    assert board.ask(msg.TwiWrite(address=0x69, reg=0x6B, data=b"\x00")).status == 0
    bench.wait(0.1)
    board.ask(msg.ImuStream(address=0x69, interval_us=5000, count=100))
    assert board.wait_done(msg.ImuStream, 2.0) == 100
    events = board.events(msg.ImuRows)
    rows = np.array([row for e in events for row in e.rows])

    assert rows.shape == (100, 7)
    assert rows[:, 2].mean() / 16384 == pytest.approx(1.0, abs=0.02)  # 1 g at ±2 g full scale
    assert abs(rows[:, 0].mean()) < 200
    starts = [(e.first, e.at) for e in events]
    (n0, t0), (n1, t1) = starts[0], starts[-1]
    assert (t1 - t0) / (n1 - n0) == pytest.approx(10_000, rel=1e-3)
    with pytest.raises(Refused) as refused:
        board.ask(msg.ImuStream(address=0x68, interval_us=5000, count=1))
    assert refused.value.code == "part"
