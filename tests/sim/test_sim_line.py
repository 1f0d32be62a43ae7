"""The serial line: when bytes arrive, what the wire does to them, what happens when the ring is full."""

from __future__ import annotations

import threading

import pytest

from benchctl.errors import PortLost, Stopped
from benchctl.safety.stop import COPIES
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardState
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import decode, encode


@pytest.mark.parametrize("baud", [500_000, 250_000, 115_200, 1_000_000])
def test_bytes_take_ten_bit_times(open_sim, baud: int) -> None:
    """The difference between a long and a short echo is the bytes' time on the line, both ways."""
    bench = open_sim(f"[board.hand]\nbaud = {baud}\n[board.hand.serial]\nlatency_ms = 0.0")
    board = bench.boards[Role.HAND]

    def takes(size: int) -> float:
        start = bench.now()
        board.ask(msg.Echo(data=bytes(size)))
        return bench.now() - start

    per_byte = bench.chips[Role.HAND].chip.timing.turn_byte
    assert takes(90) - takes(10) == pytest.approx(80 * (2 * 10.0 / baud + per_byte), rel=0.01)


def test_short_answers_wait_for_the_latency_timer(open_sim) -> None:
    quick, slow = open_sim("[board.hand.serial]\nlatency_ms = 0.0"), open_sim("[board.hand.serial]\nlatency_ms = 16.0")
    times = []
    for bench in (quick, slow):
        start = bench.now()
        for _ in range(20):
            bench.boards[Role.HAND].ask(msg.Clock())
        times.append((bench.now() - start) / 20)
    assert times[0] < 0.002
    assert times[1] == pytest.approx(0.016, abs=0.002)


def test_other_baud_rate_gives_rubbish(open_sim) -> None:
    bench = open_sim('[board.hand]\n[board.hand.settings]\nbaud_code = 2\n[board.hand.serial]\nlatency_ms = 1.0',
                     started=False)  # fmt: skip
    bench.wait(0.2)
    port = bench.ports[Role.HAND]
    port.write(frame(encode(msg.Identify(), 1)))
    bench.wait(0.1)
    heard = port.read_nowait()
    board = bench.boards[Role.HAND]
    board.exchange.feed(heard)
    assert board.exchange.frames.good == 0
    assert board.restarts == 0
    assert len(heard) > 20


def test_lossy_wire_is_counted_and_requests_are_repeated(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.hand.serial]\ndrop_per_million = 3000\nflip_per_million = 3000")
    board = bench.boards[Role.HAND]
    for n in range(200):
        assert board.ask(msg.Echo(data=bytes((n,)) * 20), repeats=10).data == bytes((n,)) * 20
    assert board.exchange.counts.repeats > 5
    assert board.exchange.frames.damaged > 0
    assert board.ask(msg.Vitals(), repeats=10).frames_bad > 0


def test_events_that_find_no_room_are_dropped_whole_and_missed_by_number(open_sim) -> None:
    """Link records at full speed on a slow line: what is missing in the numbers is what the board counted."""
    bench = open_sim("[board.hand]\nbaud = 115200\n[board.craft]")
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    craft.ask(msg.LinkStart(mode=0, test=1, count=0, interval_us=0, payload=8))
    hand.ask(msg.LinkStart(mode=1, test=1, count=3000, interval_us=0, payload=8))
    bench.wait(3.0)  # the done event may have found no room either
    totals = hand.ask(msg.LinkStop())
    craft.ask(msg.LinkStop())
    bench.wait(0.3)
    rows = sum(len(e.rows) for e in hand.events(msg.LinkSent))

    assert totals.sent == 3000
    assert totals.dropped > 0
    assert rows == 3000 - totals.dropped
    hand.ask(msg.Led(blinks=1, on_ms=1, off_ms=1))
    hand.wait_event(msg.Done, 1.0)  # a gap shows at the next event that does come
    assert hand.exchange.counts.lost_events == hand.ask(msg.Vitals()).events_dropped


def test_requests_beyond_the_receive_ring_are_counted(open_sim) -> None:
    bench = open_sim("[board.hand]")
    board = bench.boards[Role.HAND]
    bench.ports[Role.HAND].write(b"".join(frame(encode(msg.SettingsSave(), n)) for n in range(1, 60)))
    bench.wait(5.0)
    board.poll()
    assert board.ask(msg.Vitals()).overruns > 0


def test_unplugged_port_is_lost_after_everything_was_read(open_sim) -> None:
    bench = open_sim("[board.hand]")
    port = bench.ports[Role.HAND]
    port.write(frame(encode(msg.Clock(), 9)))
    bench.wait(0.01)
    port.plug(False)
    assert port.read_nowait()
    with pytest.raises(PortLost):
        port.read_nowait()
    with pytest.raises(PortLost):
        port.write(b"\0")
    with pytest.raises(PortLost):
        port.urgent(b"\0")
    port.plug(True)
    bench.wait(0.1)
    assert bench.boards[Role.HAND].ask(msg.Echo(data=b"k")).data == b"k"


def test_stop_from_another_thread_takes_effect_within_the_simulation(open_sim) -> None:
    bench = open_sim("[board.craft]")
    craft, world = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT]
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300))
    stopped_at = None
    for number in range(1, 30):
        craft.ask(msg.Throttle(channel=2, permille=200, number=number))
        bench.wait(0.1)
        if number == 15:
            thread = threading.Thread(target=bench.stop_all)
            thread.start()
            thread.join()
            stopped_at = bench.now()
            bench.wait(0.1)
            assert craft.ask(msg.GuardRead()).state == GuardState.IDLE
    assert stopped_at is not None
    assert max(t for t, _ in world.escs["pulse2"].above_idle) < stopped_at + 0.024


def test_what_was_queued_before_the_line_was_shut_does_not_come_behind_a_stop(open_sim) -> None:
    """Requests that wait for their turn on the line are overtaken by the stop and dropped; the stop arrives."""
    bench = open_sim("[board.craft]")
    port = bench.ports[Role.CRAFT]
    bodies: list[bytes] = []
    deframer, on_bytes = Deframer(), port.on_bytes
    port.on_bytes = lambda data, time: (bodies.extend(deframer.feed(data)), on_bytes(data, time))
    port.write(frame(encode(msg.Throttle(channel=2, permille=100, number=1), 9)))
    port.shut()
    bench.stop_all()
    bench.wait(0.05)

    assert [type(decode(body)) for body in bodies] == [msg.Stop] * COPIES
    with pytest.raises(Stopped):
        port.write(b"\0")


def test_a_stop_survives_a_damaged_byte(open_sim) -> None:
    """Each copy by itself stops the board: a byte of the first is lost on the line."""
    bench = open_sim("[board.craft]")
    craft, port = bench.boards[Role.CRAFT], bench.ports[Role.CRAFT]
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300))
    put = port.put_first
    port.put_first = lambda data: put(data[:3] + b"\xff" + data[4:])
    bench.stop_all()
    bench.wait(0.05)

    assert craft.ask(msg.GuardRead()).state == GuardState.IDLE


def test_halted_bench_raises_after_the_stop_took_effect(open_sim) -> None:
    bench = open_sim("[board.craft]")
    craft, world = bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT]
    nonce = craft.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    craft.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300))
    craft.ask(msg.Throttle(channel=2, permille=200, number=1))
    bench.wait(0.2)
    bench.stop_all()
    bench.halted = True
    with pytest.raises(Stopped):
        bench.wait(1.0)
    assert world.escs["pulse2"].last_width_us == pytest.approx(1000, abs=1)
    with pytest.raises(Stopped):
        bench.wait_input(bench.now() + 1.0)


def test_waiting_for_input_ends_although_another_board_has_bytes_unread(open_sim) -> None:
    bench = open_sim()
    bench.ports[Role.CRAFT].write(frame(encode(msg.Clock(), 5)))
    bench.wait(0.05)
    until = bench.now() + 0.2
    while bench.wait_input(until):
        pass
    assert bench.now() == pytest.approx(until)
