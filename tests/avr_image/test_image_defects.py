"""Faults that a simulator of somebody else's found in the image, each where it would show again."""

from __future__ import annotations

import random

import pytest
from helpers_outputs import confirm, wiring
from image_pair import pulses, rows

from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode, Load, Point
from benchctl.wire.framing import frame

#: CE must be high for 10 µs (nRF24L01+ Product Specification, table 16)
CE_LEAST_US = 10.0
CE = "PD6"
TEST = {"test": 4, "interval_us": 0, "payload": 32}


def radio(pair, role=Role.HAND):
    return pair.bench.world.boards[role].radio


def test_the_first_packet_after_power_up_waits_for_the_crystal(pair):
    """4.5 ms with the slowest crystals (table 16): the very first packet is sent, and acknowledged."""
    pair.craft.ask(msg.LinkStart(mode=LinkMode.RECEIVE, count=0, **TEST))
    pair.wait(0.02)
    answer = pair.hand.ask(msg.RadioSend(no_ack=0, data=b"12345678"), timeout=1.0)

    assert (answer.ok, answer.retries) == (1, 0)


@pytest.mark.parametrize("rate", [0, 2])
def test_registers_are_written_in_standby_only(pair, rate):
    """Whatever is ended in the middle of a packet: link test, control loop, steady sending, droop (section 8.3.1)."""
    pair.both("radio_rate", rate)
    for n in range(12):
        pair.hand.ask(msg.LinkStart(mode=LinkMode.SEND_ACK if n & 1 else LinkMode.SEND, count=0, **TEST))
        pair.wait(0.02 + n * 0.31e-3)
        pair.hand.ask(msg.LinkStop(), timeout=1.0)
        pair.hand.ask(msg.LoopStart(trace=0))
        pair.wait(0.026 + n * 0.17e-3)
        pair.hand.ask(msg.LoopStop(), timeout=1.0)
        pair.hand.ask(msg.Load(load=Load.TRANSMIT, on=1, strength=3), timeout=1.0)
        pair.wait(0.01 + n * 0.13e-3)
        pair.hand.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0), timeout=1.0)
        fields = {"first_us": 20, "step_us": 100, "points": 2, "repeats": 1, "settle_ms": 0, "prescaler": 4}
        pair.hand.ask(msg.Droop(load=Load.TRANSMIT, source=0, **fields), timeout=1.0)
        pair.hand.wait_done(msg.Droop, 2.0)

    assert dict(radio(pair).violations) == {}


def test_ce_stays_high_for_10_us_while_the_line_is_flooded(pair):
    """Timer reads with interrupts on share a register with the receiver's; frames come all the time meanwhile."""
    edges = pair.watch(Role.HAND, CE)
    noise = frame(msg.Echo(data=bytes(range(1, 60))).encode(9)) * 12
    pair.hand.ask(msg.LinkStart(mode=LinkMode.SEND, count=600, **TEST))
    for _ in range(30):
        pair.hand.port.write(noise)
        pair.wait(0.014)
    pair.hand.wait_done(msg.LinkStart, 3.0)
    high = [width for _, width in pulses(edges)]

    assert len(high) >= 600
    assert min(high) >= CE_LEAST_US


def test_a_train_that_is_ended_before_its_first_pulse(pair):
    """A servo load of a droop that lasts 20 to 140 us ends before the pin has risen once: whatever comes is as wide as
    asked, on a pin of the compare units and on any other; never the 32.768 ms of a width of 0."""
    with wiring(pair.craft):
        pair.place(3, 0x21)
        for channel in (1, 3):
            confirm(pair.craft, channel)
    seen = [pair.watch(Role.CRAFT, pin) for pin in ("PB1", "PC1")]
    fields = {"first_us": 20, "step_us": 40, "points": 4, "repeats": 4, "settle_ms": 45, "prescaler": 4}
    pair.craft.ask(msg.Droop(load=Load.SERVO, source=0, **fields), timeout=1.0)
    pair.craft.wait_done(msg.Droop, 5.0)
    pair.wait(0.05)
    for edges in seen:
        widths = [width for _, width in pulses(edges)]
        assert widths
        assert all(abs(width - 1000) < 12 or abs(width - 2000) < 12 for width in widths), widths


def test_the_stick_is_never_taken_from_a_conversion_of_the_supply(pair):
    """A real stick at rest, set from the host and let go over and over: every packet has one of the two positions.

    A supply of 5 V reads 225 counts by the band-gap, which would be a pulse of 1 220 us.
    """
    pair.both("send_interval_us", 1500)
    pair.craft.ask(msg.LoopStart(trace=1))
    pair.hand.ask(msg.LoopStart(trace=0))
    pair.wait(0.1)
    pair.craft.events(msg.Trace)
    for n in range(33):
        for on in (1, 0):
            pair.hand.ask(msg.StickSet(on=on, x=819, y=819))
            pair.wait(0.0213 + 0.00017 * (n % 11))
    seen = {row.value / 2 for row in rows(pair.craft, msg.Trace) if row.point == Point.APPLIED and row.value > 1}

    assert any(abs(width - 1800) < 3 for width in seen)
    assert all(abs(width - 1800) < 3 or abs(width - 1500) < 60 for width in seen), sorted(seen)


def test_a_look_at_a_pin_is_never_taken_for_the_supply(pair):
    """However a look falls into the watch of the supply, a conversion of 0.1 ms every 20: the joystick's axis at A0
    (0x20) stands at half the supply, which would be taken for some 2.2 V."""
    chance = random.Random(4)
    for _ in range(1500):
        pair.hand.ask(msg.Look(pin=0x20, mode=0))
        pair.wait(chance.uniform(0.0, 0.02))

    assert pair.hand.ask(msg.Vitals()).lowest_vcc_mv > 4700
