"""A whole send at once against the same send event by event: one law, one time."""

from __future__ import annotations

import itertools

import pytest
from radio_driver import Driver, linked
from scipy.stats import fisher_exact

from benchctl.parts.air import AirConfig
from benchctl.parts.air_noise import Interferer

PACKETS = 1200


@pytest.mark.parametrize("rate", [0, 1, 2])
@pytest.mark.parametrize("size", [1, 8, 32])
def test_times_are_exactly_those_of_the_registers(rate: int, size: int) -> None:
    sender, listener = linked(rate=rate, delay=5, width=size)
    payload = bytes(range(size))
    sender.spi(0xA0, *payload)
    start = sender.agenda.now
    falls: dict[str, float] = {}
    sender.chip.irq.connect(lambda level, time: falls.setdefault("sender", time))
    listener.chip.irq.connect(lambda level, time: falls.setdefault("listener", time))
    sender.ce(1)
    sender.wait(10e-6)
    sender.ce(0)
    sender.wait(5e-3)
    fast_sender, _ = linked(rate=rate, delay=5, width=size)
    outcome = fast_sender.chip.transact(payload, start)
    assert outcome.ok
    assert outcome.done_time == pytest.approx(falls["sender"], abs=1e-12)
    assert outcome.received[0].time == pytest.approx(falls["listener"], abs=1e-12)
    assert outcome.received[0].payload == payload


def test_giving_up_takes_the_same_time_and_counts_the_same() -> None:
    slow, _ = linked(300.0, count=4)
    fast, _ = linked(300.0, count=4)
    start = slow.agenda.now
    assert slow.send(b"12345678") == 0x10
    outcome = fast.chip.transact(b"12345678", start)
    assert not outcome.ok
    assert outcome.done_time == pytest.approx(slow.agenda.now, abs=1e-12)
    assert outcome.retries == 4
    assert fast.read(0x08) == slow.read(0x08)
    assert fast.chip.bursts == slow.chip.bursts == 5
    assert fast.chip.burst_charge == pytest.approx(slow.chip.burst_charge)


def _slow(sender: Driver, listener: Driver) -> tuple[int, int, int]:
    delivered = retries = received = 0
    for number in range(PACKETS):
        delivered += sender.send(number.to_bytes(8, "big")) == 0x20
        retries += sender.read(0x08)[0] & 0x0F
        received += len(listener.receive())
        sender.wait(1e-3)
    return delivered, retries, received


def _fast(sender: Driver, listener: Driver) -> tuple[int, int, int]:
    delivered = retries = received = 0
    time = sender.agenda.now
    for number in range(PACKETS):
        outcome = sender.chip.transact(number.to_bytes(8, "big"), time)
        delivered += outcome.ok
        retries += outcome.retries
        received += len(outcome.received)
        time = outcome.done_time + 1e-3
    return delivered, retries, received


AIRS = {
    "weak": AirConfig(path_loss_db=85.5),
    "very weak": AirConfig(path_loss_db=86.8),
    "interference": AirConfig(
        path_loss_db=60.0, interferers=(Interferer(2476.0, 20.0, duty=0.4, power_dbm=-50.0, burst_ms=2.0),)
    ),
    "fading": AirConfig(
        path_loss_db=80.0, fade_sigma_db=3.0, fade_time_s=0.02, deep_fade_db=30.0, deep_fade_rate_hz=20, deep_fade_ms=4
    ),
}


@pytest.mark.parametrize("air", AIRS.values(), ids=AIRS)
@pytest.mark.parametrize("count", [0, 3])
def test_losses_follow_one_law(air: AirConfig, count: int) -> None:
    slow = _slow(*linked(seed=5, air=air, count=count))
    fast = _fast(*linked(seed=6, air=air, count=count))
    again = _fast(*linked(seed=5, air=air, count=count))
    assert _fast(*linked(seed=5, air=air, count=count)) == again
    if air.interferers or air.fade_sigma_db:
        # bursts are long against the packets, so packets are not independent: the same bursts for both
        slow_seen, fast_seen = slow, again
    else:
        slow_seen, fast_seen = slow, fast
    assert 0 < slow_seen[0] <= PACKETS
    for number in (0, 2):
        table = [[seen[number], PACKETS - seen[number]] for seen in (slow_seen, fast_seen)]
        assert fisher_exact(table).pvalue > 1e-4
    assert abs(slow_seen[1] - fast_seen[1]) <= 8 + 0.2 * max(slow_seen[1], fast_seen[1])


def test_no_acknowledgement_and_several_listeners() -> None:
    sender, listener = linked(dynamic=True)
    outcome = sender.chip.transact(b"shout", 0.01, no_ack=True)
    assert outcome.ok
    assert [(got.radio, got.payload) for got in outcome.received] == [(listener.chip, b"shout")]
    assert outcome.done_time - 0.01 == pytest.approx(130e-6 + 113e-6 + 8.2e-6)
    assert listener.chip.bursts == 0


def test_answers_come_with_their_payload() -> None:
    sender, listener = linked(dynamic=True)
    listener.spi(0xA8, *b"one")
    listener.spi(0xA8, *b"two")
    time, got = 0.01, []
    for _ in range(3):
        outcome = sender.chip.transact(b"ask", time)
        got.append(outcome.answer)
        time = outcome.done_time + 1e-3
    assert got == [b"one", b"two", b""]


def test_a_listener_that_sends_hears_nothing_meanwhile() -> None:
    one, other = linked()
    two_way = other.chip.transact(b"12345678", 0.01)  # `one` does not listen
    assert not two_way.ok
    assert not one.chip.transact(b"12345678", 0.0105).received


def test_an_answer_is_finished_before_the_echo() -> None:
    one, other = linked()
    asked = one.chip.transact(b"12345678", 0.01)
    echo = other.chip.transact(b"87654321", asked.received[0].time)
    assert echo.start >= asked.done_time - 8.2e-6 + 130e-6 - 1e-12


@pytest.mark.parametrize(("loss", "delay"), [(50.0, 1), (300.0, 0), (300.0, 1), (300.0, 5)])
def test_charge_is_the_integral_of_the_current(loss: float, delay: int) -> None:
    slow, _ = linked(loss, delay=delay, count=2)
    fast, _ = linked(loss, delay=delay, count=2)
    start = slow.agenda.now
    history = [(start, slow.chip.current.level)]
    slow.chip.current.connect(lambda level, time: history.append((time, level)))
    slow.send(b"12345678")
    charge = sum((later - since) * level for (since, level), (later, _) in itertools.pairwise(history))
    outcome = fast.chip.transact(b"12345678", start)
    assert outcome.charge == pytest.approx(charge, rel=1e-6)


def test_a_packet_that_began_before_listening_is_not_heard() -> None:
    sender, listener = linked(count=0)
    assert not sender.chip.transact(b"12345678", listener.agenda.now - 131e-6).received
    assert sender.chip.transact(b"12345678", listener.agenda.now + 1e-3).received
