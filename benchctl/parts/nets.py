"""The nets of a bench: every pin of every board with what is soldered to it and the jumpers in between.

Fed with what the processors do with their pins; keeps the harm log, and answers what a pin reads that is looked at.
Works something out only when a pin that could hurt, or be hurt, changes, and each state of a net only once.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial

from benchctl.benchfile import WireSpec
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.pairfile import jumper_ohms
from benchctl.pairfile.pins import PINS
from benchctl.parts.board import Board
from benchctl.parts.harm import HarmLog
from benchctl.parts.net import Bridge, Way, amps, solve
from benchctl.parts.soldered import things_of
from benchctl.parts.surroundings import ChipPin, PinState, RadioPin, Thing, Wiper, Wrong
from benchctl.terms import Role

#: two outputs count as against each other when each carries more than this because of the other; no source
AGAINST_A = 2e-3
#: a pin that nothing holds follows the hum of the room; no source
_HUM_SHARE, _HUM_SWING, _HUM_HZ = 0.2, 0.15, 50.0
_HIGH = 0.5
#: at which a wire ends that is no pin of a processor
_NO_PIN = ("reset", "vcc")


@dataclass(slots=True)
class Node:
    """A pin and what is soldered to it."""

    board: Board
    pin: str
    function: str
    chip: ChipPin
    things: list[Thing]

    @property
    def place(self) -> str:
        """How a report names it: pin and function."""
        return f"{self.pin} ({self.function})" if self.function else self.pin


@dataclass(slots=True)
class Joint:
    """A jumper or a solder bridge between two nodes. lifted: pulled out at present."""

    one: Node
    other: Node
    ohms: float
    jumper: bool
    lifted: bool = False


@dataclass(slots=True)
class Net:
    """Nodes that are joined. cared_for: whether something here could be hurt at all."""

    nodes: list[Node]
    joints: list[Joint] = field(default_factory=list)
    cared_for: bool = False
    known: dict[Hashable, tuple[tuple[int, Wrong], ...]] = field(default_factory=dict)
    #: states of all but the processors' ends; None: to be taken anew, as always where one changes without being told
    still: Hashable = None
    silent: bool = True

    def key(self) -> Hashable:
        """What the voltages depend on; they are worked out anew only when it changes."""
        if self.still is None or not self.silent:
            states = [thing.key for node in self.nodes for thing in node.things]
            self.still = (*states, *(n.chip.supplied for n in self.nodes), *(joint.lifted for joint in self.joints))
        return (self.still, *(node.chip.state for node in self.nodes))

    def ways(self) -> list[list[Way]]:
        """For each node, all ways that lead to it."""
        return [[way for thing in (node.chip, *node.things) for way in thing.ways()] for node in self.nodes]

    def bridges(self) -> list[Bridge]:
        """The joints that are closed, by the places of their nodes."""
        index = {id(node): n for n, node in enumerate(self.nodes)}
        return [Bridge(index[id(j.one)], index[id(j.other)], j.ohms) for j in self.joints if not j.lifted]

    def volts(self) -> list[float]:
        """Voltage of each node, V."""
        return solve(self.ways(), self.bridges())

    def wrong(self) -> tuple[tuple[int, Wrong], ...]:
        """What is wrong in the present state: (node, what)."""
        key = self.key()
        found = self.known.get(key)
        if found is None:
            found = self.known[key] = tuple(self._work_out())
        return found

    def _work_out(self) -> Iterable[tuple[int, Wrong]]:
        volts, ways = self.volts(), self.ways()
        for n, node in enumerate(self.nodes):
            for thing in (node.chip, *node.things):
                for wrong in thing.wrong(volts[n]):
                    yield n, wrong
        flows = [(amps(w, volts[n]), n) for n in range(len(ways)) for w in ways[n] if w.who == "output"]
        into, out = max(flows, default=(0.0, 0)), min(flows, default=(0.0, 0))
        if into[0] > AGAINST_A and -out[0] > AGAINST_A:
            yield into[1], (HarmKind.OUTPUTS, 1e3 * min(into[0], -out[0]), "mA")


class Nets:
    """`set` takes what a processor does with a pin, `level` and `share` say what the pin reads."""

    def __init__(self, boards: Mapping[Role, Board], wires: Iterable[WireSpec], log: HarmLog) -> None:
        self.log = log
        self._nodes: dict[tuple[Role, str], Node] = {}
        self._bridges: list[tuple[Role, str, str]] = []
        for role, board in boards.items():
            functions = {pin: function for function, pin in board.pins.items() if pin}
            found = things_of(board, partial(self._chip_at, role))
            for pin in PINS:
                chip = ChipPin(board.nominal_supply)
                self._nodes[(role, pin)] = Node(board, pin, functions.get(pin, ""), chip, found.things.get(pin, []))
            board.on_power.append(partial(self._powered, role))
            board.on_jumpers.append(partial(self.lift, role))
            for name, switch in board.switches.items():
                pin = board.pins.get(name, "")
                if pin:
                    switch.contact.connect(partial(self._contact, (role, pin)))
            self._bridges += [(role, one, other) for one, other in found.bridges]
        self._join(boards, wires)

    def _join(self, boards: Mapping[Role, Board], wires: Iterable[WireSpec]) -> None:
        joints = [Joint(self._nodes[(r, a)], self._nodes[(r, b)], 1.0, False) for r, a, b in self._bridges]
        for wire in wires:
            ends = [self._end(boards, end) for end in (wire.start, wire.to)]
            if not wire.open and ends[0] is not None and ends[1] is not None:
                joints.append(Joint(ends[0], ends[1], jumper_ohms(wire.start, wire.to), True))
        nets = {id(node): Net([node]) for node in self._nodes.values()}
        for joint in joints:
            a, b = nets[id(joint.one)], nets[id(joint.other)]
            if a is not b:
                a.nodes += b.nodes
                a.joints += b.joints
                for node in b.nodes:
                    nets[id(node)] = a
            a.joints.append(joint)
        self._nets = {at: nets[id(node)] for at, node in self._nodes.items()}
        for net in nets.values():
            things = [thing for node in net.nodes for thing in node.things]
            net.cared_for = bool(net.joints) or any(thing.strong for thing in things)
            net.silent = not any(isinstance(thing, Wiper | RadioPin) for thing in things)

    def _end(self, boards: Mapping[Role, Board], end: str) -> Node | None:
        role, _, point = end.partition(".")
        pin = "" if point in _NO_PIN else boards[Role(role)].pins.get(point, "")
        return self._nodes[(Role(role), pin)] if pin else None

    # -- what happens ---------------------------------------------------------------------------------------------

    def cares(self, role: Role, pin: str) -> bool:
        """Whether what the processor does with this pin could ever hurt, so that `set` has to be told."""
        return self._nets[(role, pin)].cared_for

    def set(self, role: Role, pin: str, state: PinState, time: float) -> None:
        """The processor does something else with a pin."""
        at = (role, pin)
        chip = self._nodes[at].chip
        if chip.state is not state:
            chip.state = state
            net = self._nets[at]
            if net.cared_for:
                self._tell(net, time)
            if state is PinState.PULLED_UP:
                self._glimmer(at, time)

    def _glimmer(self, at: tuple[Role, str], time: float) -> None:
        """The pull-up's current through an LED to ground may be seen."""
        node = self._nodes[at]
        ways = [way for thing in node.things for way in thing.ways() if way.who == "LED"]
        if ways:
            volts = self.volts(*at)
            node.board.led.glimmer(max(amps(way, volts) for way in ways), time)

    def lift(self, role: Role, lifted: bool, time: float) -> None:
        """Jumpers to and from a board are pulled out, or put back."""
        for at, net in self._nets.items():
            if at[0] is role and net.joints:
                for joint in net.joints:
                    if joint.jumper and role in (joint.one.board.role, joint.other.board.role):
                        joint.lifted = lifted
                self._look(net, time)

    def _chip_at(self, role: Role, pin: str) -> ChipPin:
        return self._nodes[(role, pin)].chip

    def _contact(self, at: tuple[Role, str], level: float, time: float) -> None:
        self._look_at(at, time)

    def _powered(self, role: Role, time: float) -> None:
        for at, net in self._nets.items():
            if at[0] is role and net.cared_for:
                self._look(net, time)

    def _look_at(self, at: tuple[Role, str], time: float) -> None:
        net = self._nets[at]
        if net.cared_for:
            self._look(net, time)

    def _look(self, net: Net, time: float) -> None:
        net.still = None
        self._tell(net, time)

    def _tell(self, net: Net, time: float) -> None:
        wrong = net.wrong()
        if wrong:
            for n, (kind, value, unit) in wrong:
                node = net.nodes[n]
                self.log.note(kind, node.board.role, node.place, time, value, unit)

    # -- what is read ---------------------------------------------------------------------------------------------

    def volts(self, role: Role, pin: str) -> float:
        """At a pin, everything at its nominal supply."""
        net = self._nets[(role, pin)]
        return net.volts()[net.nodes.index(self._nodes[(role, pin)])]

    def floats(self, role: Role, pin: str) -> bool:
        """Whether nothing holds the pin, not even weakly."""
        net = self._nets[(role, pin)]
        reached = {id(self._nodes[(role, pin)])}
        for _ in net.joints:
            for joint in net.joints:
                if not joint.lifted and (id(joint.one) in reached or id(joint.other) in reached):
                    reached |= {id(joint.one), id(joint.other)}
        volts = net.volts()
        return not any(
            not way.side or amps(way, volts[n])
            for n, ways in enumerate(net.ways())
            if id(net.nodes[n]) in reached
            for way in ways
        )

    def level(self, role: Role, pin: str) -> int:
        """What the pin reads as a digital input."""
        supply = self._nodes[(role, pin)].board.nominal_supply()
        return int(supply > 0 and self.volts(role, pin) >= _HIGH * supply)

    def levels(self, role: Role, pin: str) -> tuple[int, int]:
        """What it reads as an input without and with the chip's pull-up, whatever the chip does with it now."""
        with self._as(role, pin, PinState.INPUT):
            plain = self.level(role, pin)
        with self._as(role, pin, PinState.PULLED_UP):
            return plain, self.level(role, pin)

    @contextmanager
    def _as(self, role: Role, pin: str, state: PinState) -> Iterator[None]:
        """As if the processor did this with the pin."""
        chip = self._nodes[(role, pin)].chip
        kept, chip.state = chip.state, state
        try:
            yield
        finally:
            chip.state = kept

    def share(self, role: Role, pin: str, state: PinState, time: float) -> float:
        """What the converter reads, as a share of the supply; a pin that nothing holds follows the hum of the room."""
        supply = self._nodes[(role, pin)].board.nominal_supply()
        if not supply:
            return 0.0
        with self._as(role, pin, state):
            if not self.floats(role, pin):
                return min(1.0, max(0.0, self.volts(role, pin) / supply))
        phase = 2.0 * math.pi * PINS.index(pin) / len(PINS)
        return _HUM_SHARE + _HUM_SWING * math.sin(2.0 * math.pi * _HUM_HZ * time + phase)
