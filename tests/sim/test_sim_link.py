"""The link test against the data sheet's times and the air's own statistics."""

from __future__ import annotations

import itertools

import pytest
from scipy import stats

from benchctl.analysis.timing import AVR_16MHZ, RadioFormat, acknowledged_us, one_way_floor_us
from benchctl.errors import Refused
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode

RATES = {0: 250_000, 1: 1_000_000, 2: 2_000_000}
#: a clean wire without the USB chip's timer
QUICK = "[board.hand]\n[board.hand.serial]\nlatency_ms = 0.0\n[board.craft]\n[board.craft.serial]\nlatency_ms = 0.0"


def run(bench: SimBench, mode: LinkMode, count: int, interval_us: int = 2000, payload: int = 8, rate: int = 1):
    """Rows of the sender and of the receiver, and both totals."""
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    for board in (hand, craft):
        board.write_setting("radio_rate", rate)
        board.forget_events()
    other = LinkMode.ECHO if mode is LinkMode.PING else LinkMode.RECEIVE
    craft.ask(msg.LinkStart(mode=other, test=7, count=0, interval_us=interval_us, payload=payload))
    bench.wait(0.002)
    hand.ask(msg.LinkStart(mode=mode, test=7, count=count, interval_us=interval_us, payload=payload))
    hand.wait_done(msg.LinkStart, 30.0)
    totals = hand.ask(msg.LinkStop()), craft.ask(msg.LinkStop())
    bench.wait(0.1)
    sent = [row for kind in (msg.LinkSent, msg.LinkPinged) for e in hand.events(kind) for row in e.rows]
    got = [row for e in craft.events(msg.LinkReceived) for row in e.rows]
    return sent, got, totals


@pytest.mark.parametrize("rate", [0, 1, 2])
@pytest.mark.parametrize("payload", [8, 32])
def test_acknowledged_packet_takes_what_the_data_sheet_says(open_sim, rate: int, payload: int) -> None:
    """Upload, settling, packet, settling, acknowledgement, interrupt; of interrupts the floor knows 2 µs."""
    sent, got, (mine, theirs) = run(open_sim(QUICK), LinkMode.SEND_ACK, 200, payload=payload, rate=rate)
    floor = acknowledged_us(RadioFormat(RATES[rate], payload), AVR_16MHZ)
    takes = sorted(((done - queued) & 0xFFFFFFFF) / 2 for _, queued, _, done, _ in sent)

    assert mine.sent == mine.delivered == theirs.received == len(sent) == len(got) == 200
    assert all(result == 0x10 for *_, result in sent)
    # the firmware's SPI and calls are slower than the floor's, its clearing of the flags is not in it
    assert 0.0 < takes[0] - floor < (24.0 if payload == 8 else 36.0)
    assert takes[-1] - takes[0] < 12.0


def test_one_way_is_no_faster_than_its_floor(open_sim) -> None:
    """Both clocks are true here, so their difference is a constant; its spread is that of two interrupts."""
    perfect = "[board.{0}]\n[board.{0}.oscillator]\nppm = 0.0\nwander_ppm = 0.0\n[board.{0}.serial]\nlatency_ms = 0.0\n"
    bench = open_sim(perfect.format("hand") + perfect.format("craft"))
    sent, got, _ = run(bench, LinkMode.SEND, 300)
    arrival = {number: at for number, at, _ in got}
    began = {role: bench.chips[role].probe.began for role in (Role.HAND, Role.CRAFT)}
    offset = (began[Role.CRAFT] - began[Role.HAND]) * 1e6
    takes = sorted(((arrival[n] - queued) & 0xFFFFFFFF) / 2 + offset for n, queued, *_ in sent)
    floor = one_way_floor_us(RadioFormat(1_000_000, 8), AVR_16MHZ)

    # the floor includes reading the payload at the receiver: 9 bytes of 2 µs and an interrupt
    assert floor - 22.0 < takes[0] < floor + 12.0
    assert takes[-1] - takes[0] < 12.0


def test_echo_comes_after_exactly_the_turn_around(open_sim) -> None:
    bench = open_sim(QUICK)
    bench.boards[Role.CRAFT].write_setting("turnaround_ticks", 1500)
    sent, got, (mine, theirs) = run(bench, LinkMode.PING, 200)
    there = {number: at for number, at, _ in got}
    # settling and air time, there and back, and two interrupt delays of 8.2 µs: data sheet, table 16 and figure 15
    air = RadioFormat(1_000_000, 8).air_us
    expected = 2 * (130.0 + air + 8.2) + 750.0
    trips = [((back - ce) & 0xFFFFFFFF) / 2 for _, ce, back, *_ in sent]

    assert mine.delivered == theirs.received == theirs.sent == 200
    assert all(turn == 1500 and result == 0x10 and there[n] == at for n, _, _, at, turn, result in sent)
    assert min(trips) >= expected + 2 * 1.5 - 1.0  # two interrupts, two ticks
    assert max(trips) < expected + 2 * 9.0


def test_loss_is_that_of_the_air(open_sim) -> None:
    """A path at the edge of reception: the receiver's count has the binomial spread around the air's own loss."""
    text = QUICK + "\n[air]\npath_loss_db = 87.0"
    sent, _got, (mine, theirs) = run(open_sim(text), LinkMode.SEND, 3000, interval_us=1000)
    assert mine.sent == len(sent) == 3000
    lost = 3000 - theirs.received
    assert 0 < lost < 3000
    # the error law of the model: 0.5·exp(-snr/2) per bit at the sensitivity of -85 dBm (see benchctl.parts.air)
    from benchctl.parts.air import SENSITIVITY_DBM, SNR_AT_SENSITIVITY_DB, bit_error_rate

    snr = 10 ** (0.1 * (-87.0 - SENSITIVITY_DBM[1] + SNR_AT_SENSITIVITY_DB))
    per = 1 - (1 - bit_error_rate(snr)) ** 137
    low, high = stats.binom.interval(0.9999, 3000, per)
    assert low <= lost <= high


def test_retries_are_reported_and_lost_packets_are_given_up(open_sim) -> None:
    text = QUICK + "\n[air]\npath_loss_db = 87.0"
    bench = open_sim(text)
    for role in (Role.HAND, Role.CRAFT):
        bench.boards[role].write_setting("radio_retry_count", 3)
    sent, _got, (mine, _theirs) = run(bench, LinkMode.SEND_ACK, 1000, interval_us=5000)
    retries = [result & 0x0F for *_, result in sent]
    given_up = [row for row in sent if not row[-1] & 0x10]

    assert max(retries) == 3
    assert any(retries)
    assert all(row[-1] & 0x0F == 3 for row in given_up)
    assert mine.delivered == 1000 - len(given_up)
    # data sheet, section 7.4.2: each retry costs the delay (500 µs as set) and the packet
    once = [((d - q) & 0xFFFFFFFF) / 2 for _, q, _, d, r in sent if r == 0x10]
    twice = [((d - q) & 0xFFFFFFFF) / 2 for _, q, _, d, r in sent if r == 0x11]
    assert min(twice) - min(once) == pytest.approx(500 + 137, abs=12)


def test_pace_is_kept_by_the_board_clock(open_sim) -> None:
    sent, _, _ = run(open_sim(QUICK), LinkMode.SEND, 300, interval_us=3000)
    queued = [row[1] for row in sent]
    steps = [(b - a) & 0xFFFFFFFF for a, b in itertools.pairwise(queued)]
    assert {abs(step - 6000) <= 42 for step in steps} == {True}


def test_back_to_back_is_as_fast_as_the_chip_allows(open_sim) -> None:
    sent, _, _ = run(open_sim(QUICK), LinkMode.SEND, 300, interval_us=0)
    first, last = sent[0][3], sent[-1][3]
    each = ((last - first) & 0xFFFFFFFF) / 2 / 299
    # settling, air, interrupt, and what the interrupt takes: no faster than the data sheet
    least = 130.0 + RadioFormat(1_000_000, 8).air_us
    assert least < each < least + 70.0


def test_numbers_go_on_and_wrap(open_sim) -> None:
    sent, got, _ = run(open_sim(QUICK), LinkMode.SEND, 200)
    assert [row[0] for row in sent] == list(range(200))
    assert [row[0] for row in got] == list(range(200))


@pytest.mark.parametrize(
    "fields",
    [
        {"mode": 9}, {"mode": 1, "payload": 2}, {"mode": 1, "payload": 33}, {"mode": 3, "payload": 7},
        {"mode": 1, "interval_us": 1_000_000_000},
    ],
)  # fmt: skip
def test_impossible_runs_are_refused(open_sim, fields) -> None:
    board = open_sim(QUICK).boards[Role.HAND]
    whole = {"mode": 1, "test": 1, "count": 1, "interval_us": 1000, "payload": 8, **fields}
    with pytest.raises(Refused) as refused:
        board.ask(msg.LinkStart(**whole))
    assert refused.value.code == "value"


def test_busy_while_it_runs_and_free_after_stop(open_sim) -> None:
    bench = open_sim(QUICK)
    board = bench.boards[Role.HAND]
    start = {"mode": 1, "test": 1, "count": 0, "interval_us": 1000, "payload": 8}
    board.ask(msg.LinkStart(**start))
    for request in (msg.LinkStart(**start), msg.RadioApply(), msg.LoopStart(trace=0)):
        with pytest.raises(Refused) as refused:
            board.ask(request)
        assert refused.value.code == "busy"
    bench.wait(0.5)
    first = board.ask(msg.LinkStop())
    bench.wait(0.1)
    assert first.sent == pytest.approx(495, abs=5)
    assert board.ask(msg.LinkStop()).sent == first.sent
    assert board.ask(msg.RadioApply()).wrong == 0


def test_no_transceiver_is_no_part(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.hand.radio]\nfitted = false")
    with pytest.raises(Refused) as refused:
        bench.boards[Role.HAND].ask(msg.LinkStart(mode=1, test=1, count=1, interval_us=0, payload=8))
    assert refused.value.code == "part"


def test_interrupt_line_open_means_that_nothing_is_heard_of_packets(open_sim) -> None:
    """The packets go out, the board hears nothing of them: given up one by one."""
    bench = open_sim(QUICK + "\n[board.hand.radio]\nirq = { series_ohms = 1e9 }")
    sent, _, _ = run(bench, LinkMode.SEND, 5)
    assert len(sent) == 5
    assert all(row[-1] == 0 and ((row[3] - row[1]) & 0xFFFFFFFF) / 2e6 > 0.09 for row in sent)


def test_transceiver_that_loses_its_supply_in_a_run_comes_back(open_sim) -> None:
    bench = open_sim(QUICK)
    hand, rail = bench.boards[Role.HAND], bench.world.boards[Role.HAND].rails["radio"]
    bench.boards[Role.CRAFT].ask(msg.LinkStart(mode=0, test=1, count=0, interval_us=0, payload=8))
    hand.ask(msg.LinkStart(mode=2, test=1, count=0, interval_us=2000, payload=8))
    bench.wait(0.5)
    rail.set_load("fault", 1.2, bench.now())
    bench.wait(0.02)
    rail.set_load("fault", 0.0, bench.now())
    bench.wait(1.0)
    hand.ask(msg.LinkStop())
    bench.wait(0.1)
    rows = [row for e in hand.events(msg.LinkSent) for row in e.rows]
    fates = [bool(row[-1] & 0x10) for row in rows]

    assert len(hand.events(msg.RadioLost)) == 1
    assert not all(fates)
    assert all(fates[-100:])


def test_raw_packet_reaches_the_other_board_and_is_acknowledged(open_sim) -> None:
    """`radio_send` goes through the register-level machine: CE, interrupt line, STATUS."""
    bench = open_sim(QUICK)
    hand, craft = bench.boards[Role.HAND], bench.boards[Role.CRAFT]
    craft.ask(msg.LinkStart(mode=0, test=1, count=0, interval_us=0, payload=8))
    bench.wait(0.02)
    hand.ask(msg.RadioApply())
    bench.wait(0.01)
    answer = hand.ask(msg.RadioSend(no_ack=0, data=b"\x05\x00\x01abcde"))
    assert (answer.ok, answer.retries) == (1, 0)
    floor = RadioFormat(1_000_000, 8).exchange_us
    assert floor < answer.took < floor + 40
    craft.ask(msg.LinkStop())
    bench.wait(0.1)
    assert [row[0] for e in craft.events(msg.LinkReceived) for row in e.rows] == [5]
    alone = hand.ask(msg.RadioSend(no_ack=0, data=b"12345678"))
    assert (alone.ok, alone.retries) == (0, 15)


def test_energy_scan_sees_who_is_there(open_sim) -> None:
    air = "[air]\n[[air.interferer]]\ncentre_mhz = 2437.0\nwidth_mhz = 20.0\npower_dbm = -40.0\nduty = 1.0\n"
    bench = open_sim("[board.hand]\n" + air)
    board = bench.boards[Role.HAND]
    board.ask(msg.EnergyScan(first=0, last=125, dwell_us=300, sweeps=4))
    board.wait_done(msg.EnergyScan, 5.0)
    hits: dict[int, int] = {}
    for event in board.events(msg.Scan):
        for offset, (busy,) in enumerate(event.rows):
            hits[event.first + offset] = hits.get(event.first + offset, 0) + busy

    assert sorted(hits) == list(range(126))
    assert {c for c, n in hits.items() if n == 4} == set(range(27, 48))
    assert all(n == 0 for c, n in hits.items() if not 26 <= c <= 48)
