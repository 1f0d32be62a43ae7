"""The link test on the image: rates against the floors, honest stamps, echo on the tick.

Floors by the transceiver's data sheet (Product Specification v1.0, sections 6.1.7 and 7.3, figure 15): 8 bytes with
5-byte address and 2-byte CRC one by one, upload and interrupt included: 2618, 2044 and 893 packets a second.
"""

from itertools import pairwise

import pytest
from image_pair import rows

from benchctl.terms import Role
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode

#: µs: 130 settling + air + 130 turn-around + acknowledgement + interrupt delay
FLIGHT_US = {2: 130 + 68.5 + 130 + 36.5 + 6.0, 1: 130 + 137 + 130 + 73 + 8.2, 0: 130 + 548 + 130 + 292 + 8.2}
FLOOR = {2: 2618, 1: 2044, 0: 893}


def run(pair, mode, count, interval_us=0, payload=8, seconds=5.0):
    other = LinkMode.ECHO if mode is LinkMode.PING else LinkMode.RECEIVE
    common = {"test": 9, "interval_us": interval_us, "payload": payload}
    pair.craft.ask(msg.LinkStart(mode=other, count=0, **common))
    pair.wait(0.01)
    pair.hand.ask(msg.LinkStart(mode=mode, count=count, **common))
    pair.hand.wait_done(msg.LinkStart, seconds)
    pair.wait(0.03)
    return pair.hand.ask(msg.LinkStop()), pair.craft.ask(msg.LinkStop())


@pytest.mark.parametrize("rate", [0, 1, 2])
def test_back_to_back_with_acknowledgement(pair, rate):
    """Nine tenths of the one-by-one floor, every packet logged on both sides, its flight the data sheet's."""
    pair.wait(1.0)
    pair.both("radio_rate", rate)
    sent, got = run(pair, LinkMode.SEND_ACK, 400)
    records = rows(pair.hand, msg.LinkSent)
    received = rows(pair.craft, msg.LinkReceived)
    span = TICK_US * 1e-6 * ((records[-1][3] - records[0][1]) & 0xFFFFFFFF)

    assert len(records) / span >= 0.9 * FLOOR[rate]
    assert (sent.sent, sent.delivered, sent.dropped, got.received) == (400, 400, 0, 400)
    assert [r[0] for r in records] == [r[0] for r in received] == list(range(400))
    assert {r[4] for r in records} == {0x10}
    flights = sorted(TICK_US * ((r[3] - r[1] - r[2]) & 0xFFFFFFFF) for r in records)

    assert flights[0] >= FLIGHT_US[rate] - 1
    assert flights[200] <= FLIGHT_US[rate] + 6


def test_paced_packets_keep_their_pace(pair):
    run(pair, LinkMode.SEND, 60, interval_us=3000)
    records = rows(pair.hand, msg.LinkSent)
    starts = [r[1] for r in records]
    steps = [TICK_US * ((b - a) & 0xFFFFFFFF) for a, b in pairwise(starts[1:])]

    assert sum(steps) / len(steps) == pytest.approx(3000, abs=3)
    assert max(r[2] for r in records) * TICK_US < 100  # upload to CE


def test_nobody_listens(pair):
    """Given up after the retries that are set, and said so for each packet."""
    pair.hand.write_setting("radio_retry_count", 3)
    pair.hand.ask(msg.LinkStart(mode=LinkMode.SEND_ACK, test=1, count=10, interval_us=0, payload=8))
    pair.hand.wait_done(msg.LinkStart, 3.0)
    stop = pair.hand.ask(msg.LinkStop())

    assert (stop.sent, stop.delivered) == (10, 0)
    assert [r[4] for r in rows(pair.hand, msg.LinkSent)] == [3] * 10


def test_echo_turns_round_on_the_tick(pair):
    """Both boards' stamps: the way there and back is twice settling and air, and the stated turn-around."""
    pair.both("radio_rate", 2)
    pair.both("turnaround_ticks", 1000)
    run(pair, LinkMode.PING, 50, interval_us=4000)
    pings = rows(pair.hand, msg.LinkPinged)

    assert [p[5] for p in pings] == [0x10] * 50
    assert {p[4] for p in pings} == {1000}
    # the boards' clocks differ by up to 0.6 % of the turn-around; the interrupts add some microseconds
    ways = [TICK_US * ((p[2] - p[1]) & 0xFFFFFFFF) - 500 for p in pings]
    ideal = 2 * (130 + 68.5 + 6)

    assert min(ways) >= ideal - 4
    assert max(ways) <= ideal + 40
    assert max(ways) - min(ways) <= 30


def test_energy_scan_covers_every_channel_once_a_sweep(pair):
    pair.hand.ask(msg.EnergyScan(first=3, last=120, dwell_us=170, sweeps=2))
    pair.hand.wait_done(msg.EnergyScan, 3.0)
    seen = []
    for event in pair.hand.events(msg.Scan):
        seen += [(event.sweep, event.first + n) for n in range(len(event.rows))]

    assert seen == [(sweep, channel) for sweep in range(2) for channel in range(3, 121)]


def test_a_transceiver_that_lost_its_settings_is_noticed_and_set_up_again(pair):
    pair.hand.ask(msg.RadioApply())
    pair.wait(0.25)
    assert pair.hand.ask(msg.Vitals()).radio_ok == 1
    radio = pair.bench.world.boards[Role.HAND].radio
    now = pair.bench.now()
    radio.exchange(b"\x25\x02", now)  # RF_CH back at its reset value, behind the firmware's back
    pair.wait(0.3)
    lost = pair.hand.events(msg.RadioLost)

    assert [(e.reg, e.found, e.expected) for e in lost] == [(5, 2, 76)]
    assert pair.hand.ask(msg.Vitals()).radio_losses == 1
    assert radio.exchange(b"\x05\xff", pair.bench.now())[1] == 76


def test_the_slowest_rate_gets_a_legal_retransmit_delay(pair):
    """At 250 kbps 250 µs is too short for any acknowledgement (table 18): the register holds at least 500 µs."""
    pair.hand.write_setting("radio_rate", 0)
    pair.hand.write_setting("radio_retry_delay", 0)
    pair.hand.ask(msg.RadioApply())

    assert pair.hand.ask(msg.RadioSpi(data=b"\x04\xff")).data[1] >> 4 == 1
