"""Two boards of the avr bench with the shipped image, and helpers to watch pins."""

from collections import defaultdict

from helpers_outputs import PAIR, confirm, wiring
from needs import need

from benchctl import benches
from benchctl.avr.build_shim import available
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import PULSE_KIND_KEYS, Function, PulseKind


class Pair:
    """hand and craft, opened; `watch` collects edges of a craft's or hand's pin as (seconds, level)."""

    def __init__(self, seed=1):
        need(available())
        self.bench = benches.open_bench(PAIR, kind="avr", seed=seed)
        self.hand, self.craft = self.bench.boards[Role.HAND], self.bench.boards[Role.CRAFT]
        self.edges = defaultdict(list)
        for board in (self.hand, self.craft):
            board.open()
            board.events(msg.Boot)

    def wait(self, seconds):
        self.bench.wait(seconds)

    def watch(self, role, pin):
        edges = self.edges[role, pin]
        self.bench.chips[role].watch(pin, lambda level, time: edges.append((time, level)))
        return edges

    def both(self, name, value):
        self.hand.write_setting(name, value)
        self.craft.write_setting(name, value)

    def pulse_on(self, channel, pin_code, kind=PulseKind.SERVO):
        with wiring(self.craft):
            self.place(channel, pin_code, kind)
            confirm(self.craft, channel)

    def place(self, channel, pin_code, kind=PulseKind.SERVO):
        """While wiring."""
        self.craft.write_pin(Function.PULSE1 + channel - 1, pin_code)
        self.craft.ask(msg.SettingWrite(key=PULSE_KIND_KEYS + channel - 1, data=bytes([kind])))


def pulses(edges):
    """(rise, width in µs) of every whole pulse in a list of edges."""
    out, rose = [], None
    for time, level in edges:
        if level:
            rose = time
        elif rose is not None:
            out.append((rose, 1e6 * (time - rose)))
            rose = None
    return out


def rows(board, kind):
    return [row for event in board.events(kind) for row in event.rows]
