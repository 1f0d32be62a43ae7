"""Two pairs on one channel and address: a stranger's control packets do nothing, whatever they hold."""

from __future__ import annotations

import struct

import pytest
from helpers_outputs import PAIR
from needs import need

from benchctl.avr.build_shim import available
from benchctl.benches import open_bench
from benchctl.session.pairing import CHANNELS, pair_settings
from benchctl.terms import Role
from benchctl.wire import msg

FULL = 1023
LIT = 1


class Pair:
    """A craft whose control loop runs, and a hand that sends whatever packet it is told as one of its own."""

    def __init__(self, kind: str) -> None:
        if kind == "avr":
            need(available())
        self.bench = open_bench(PAIR, kind=kind)
        self.hand, self.craft = self.bench.boards[Role.HAND], self.bench.boards[Role.CRAFT]
        for board in (self.hand, self.craft):
            board.open()
        self.own = int(self.craft.read_setting("pair_number"))
        self.craft.ask(msg.LoopStart(trace=0))
        self.bench.wait(0.05)

    def send(self, number: int, pair: int, x: int, lit: int = LIT) -> None:
        packet = struct.pack("<HBBHH", number, lit, pair, x, 512)
        assert self.hand.ask(msg.RadioSend(no_ack=0, data=packet), timeout=1.0).ok
        self.bench.wait(0.03)

    def seen(self) -> tuple[int, int, int]:
        """Servo width, LED, age of the last control packet."""
        width = self.craft.ask(msg.PulseRead(channel=1)).width
        led = round(self.bench.world.boards[Role.CRAFT].outputs["led"].level)
        return width, led, self.craft.ask(msg.GuardRead()).radio_age_ms


@pytest.fixture(params=["sim", "avr"])
def pair(request):
    made = Pair(request.param)
    yield made
    made.bench.close()


def test_a_strangers_packets_move_no_output_and_do_not_refresh_the_silence(pair: Pair) -> None:
    pair.send(1, pair.own, 512, lit=0)
    width, led, _ = pair.seen()
    age = 0
    for number in range(2, 12):
        pair.send(number, pair.own ^ 3, FULL)
        now_width, now_led, now_age = pair.seen()
        assert (now_width, now_led) == (width, led)
        assert now_age > age
        age = now_age
    assert age >= 300
    pair.send(2, pair.own, FULL)
    assert pair.seen()[0] > width
    assert pair.seen()[2] < age


def test_a_number_that_does_not_advance_counts_for_nothing(pair: Pair) -> None:
    """Nor after a silence that is shorter than the one that cuts; a hand unit that began anew is heard after that one."""
    pair.send(700, pair.own, 512)
    width = pair.seen()[0]
    for number in (700, 699, 0, 700):
        pair.send(number, pair.own, FULL)
        assert pair.seen()[0] == width
    pair.bench.wait(int(pair.craft.read_setting("silence_ms")) * 1e-3)
    pair.send(0, pair.own, FULL)
    assert pair.seen()[0] > width


def test_eight_numbered_pairs_share_nothing() -> None:
    """Address, channel, pair number; the boards of one pair share all three."""
    made = [pair_settings(f"mudlark-hand-{n:02}") for n in range(1, 9)]

    assert {tuple(s.items()) for s in made} == {tuple(pair_settings(f"mudlark-craft-{n:02}").items()) for n in range(1, 9)}
    for name in ("radio_address", "radio_channel", "pair_number"):
        assert len({s[name] for s in made}) == 8, name
    assert all(abs(a - b) >= 2 for a in CHANNELS for b in CHANNELS if a != b)
    assert all(2400 + channel <= 2482 for channel in CHANNELS)  # ETSI EN 300 328: 2400 to 2483.5 MHz
    assert pair_settings("") == pair_settings("hand") == {}
