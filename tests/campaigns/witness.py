"""What really happened on a simulated bench, written down from the models beside the stages' back."""

from __future__ import annotations

import bisect
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from benchctl.parts.agenda import Agenda
from benchctl.parts.rail import Rail
from benchctl.terms import Role

Floats = npt.NDArray[np.float64]
#: changes of a rail's load are kept for so long after the load in question came on
KEPT_S = 30e-3
#: step at which the true course of a rail is looked at
GRAIN_S = 0.5e-6


@dataclass
class Step:
    """A load coming on: the rail's description and what was drawn before and afterwards.

    base, parent_base: amps at rest. changes: (seconds after the start, amps in all).
    """

    board: Any
    start: float
    base: float
    parent_base: float
    changes: list[tuple[float, float]] = field(default_factory=list)


@dataclass(frozen=True)
class Droop:
    """amplitude: volts from rest to the lowest point with the load on. tau: s; the regulator's where there is one."""

    amplitude: float
    tau: float


class Edges:
    """The changes of one signal: times in s, levels."""

    def __init__(self, signal: Any) -> None:
        self.times: list[float] = []
        self.levels: list[float] = []
        signal.connect(self._changed)

    def _changed(self, level: float, time: float) -> None:
        self.times.append(time)
        self.levels.append(level)

    def within(self, begin: float, end: float) -> Floats:
        """(s, level) rows of that span."""
        i, j = bisect.bisect_left(self.times, begin), bisect.bisect_right(self.times, end)
        return np.column_stack((self.times[i:j], self.levels[i:j])).astype(np.float64).reshape(-1, 2)

    def first(self, level: float, after: float, before: float) -> float | None:
        rows = self.within(after, before)
        hits = rows[rows[:, 1] == level, 0]
        return float(hits[0]) if len(hits) else None

    def last(self, level: float, before: float) -> float | None:
        rows = self.within(before - 0.1, before)
        hits = rows[rows[:, 1] == level, 0]
        return float(hits[-1]) if len(hits) else None


class Witness:
    """Watches a bench of kind sim or avr from its opening on."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.boards = bench.world.boards
        self.spans: dict[str, tuple[float, float]] = {}
        hand, craft = self.boards[Role.HAND], self.boards[Role.CRAFT]
        self._lines = {name: Edges(switch.line) for name, switch in hand.switches.items()}
        self._pulse, self._led = Edges(craft.outputs["pulse1"]), Edges(craft.outputs["led"])
        self._ce, self._irq = Edges(hand.outputs["radio_ce"]), Edges(craft.inputs["radio_irq"])
        self._steps: dict[tuple[Role, str], Step] = {}
        #: end of the window in which each row of the sweep was measured
        self.swept: list[float] = []
        self._rest: dict[Role, float] = {}
        self._ppm: dict[Role, float] = {}
        #: whose droop under which load is being measured
        self._looked_at: tuple[str, str] | None = None
        for role, board in self.boards.items():
            self._watch_rail(role, board, board.supply, "led", lambda name: name == "led")
            radio = board.rails[board.spec.radio.rail]
            self._watch_rail(
                role, board, radio, "transmit", lambda name: name in ("transceiver", "settling", "sending")
            )
        if bench.kind == "sim":
            self._watch_sends()

    # ------------------------------------------------------------------ what is told

    def begins(self, stage: str) -> None:
        self.spans[stage] = (self.bench.now(), np.inf)

    def ends(self, stage: str) -> None:
        self.spans[stage] = (self.spans[stage][0], self.bench.now())

    def saw_reading(self, name: str, seconds: float) -> None:
        """A reading has just been taken; seconds: over which an oscillator was compared."""
        role, _, what = name.partition(".")
        if self._looked_at == (role, what.removesuffix("_droop")):
            self._looked_at = None
        if what == "vcc":
            self._rest[Role(role)] = self.boards[Role(role)].supply.volts(self.bench.now())
        elif what == "oscillator_error":
            clock, now = self.boards[Role(role)].oscillator, self.bench.now()
            counted = clock.ticks(now) - clock.ticks(now - seconds)
            self._ppm[Role(role)] = 1e6 * (counted / seconds / clock.nominal_hz - 1)

    def looks(self, text: str) -> None:
        """The stage says what it is at: "hand: rail under led"."""
        role, _, what = text.partition(": rail under ")
        if what:
            self._looked_at = role, what

    # ------------------------------------------------------------------ what it was

    def mean_ppm(self, role: Role) -> float:
        """Mean rate error over the time in which it was measured."""
        return self._ppm[role]

    def rest_volts(self, role: Role) -> float:
        return self._rest[role]

    def step(self, role: Role, load: str) -> Step | None:
        return self._steps.get((role, load))

    def edges(self, switch: str, stage: str) -> Floats:
        """(µs, level) of a switch line's edges in a stage."""
        rows = self._lines[switch].within(*self.spans[stage])
        return rows * (1e6, 1.0)

    def latencies(self, stage: str = "button_to_led") -> Floats:
        """(total, edge to CE, CE to interrupt, interrupt to pin) in µs of each change that reached the LED's pin."""
        lines = self._lines["switch1"].within(*self.spans[stage])
        first = np.concatenate(([0], np.flatnonzero(np.diff(lines[:, 0]) > 15e-3) + 1)).astype(int)
        starts = lines[first, 0] if len(lines) else np.zeros(0)
        settled = lines[np.concatenate((first[1:], [len(lines)])) - 1, 1] if len(lines) else np.zeros(0)
        rows = []
        for i, (start, level) in enumerate(zip(starts, settled, strict=True)):
            limit = starts[i + 1] if i + 1 < len(starts) else start + 1.0
            lit = self._led.first(1.0 - level, start, limit)
            irq = self._irq.last(0.0, lit) if lit is not None else None
            ce = self._ce.last(1.0, irq) if irq is not None else None
            if lit is not None and irq is not None and ce is not None:
                rows.append((lit - start, ce - start, irq - ce, lit - irq))
        return 1e6 * np.array(rows, np.float64).reshape(-1, 4)

    def widths_before(self, times: list[float]) -> Floats:
        """Width in µs of the last whole pulse before each time."""
        rows = self._pulse.within(0.0, np.inf)
        falls = np.flatnonzero((rows[:, 1] < 0.5) & (np.arange(len(rows)) > 0))
        ends, widths = rows[falls, 0], rows[falls, 0] - rows[falls - 1, 0]
        picks = np.searchsorted(ends, times, side="right") - 1
        out: Floats = 1e6 * widths[picks]
        return out

    # ------------------------------------------------------------------ watching

    def _watch_rail(self, role: Role, board: Any, rail: Rail, load: str, mine: Callable[[str], bool]) -> None:
        """Note what a rail is asked for; a step begins when the load in question goes up from rest."""
        plain_set, plain_bursts, levels = rail.set_load, rail.bursts, dict[str, float]()
        inside, over = False, dict[str, float]()

        def note(name: str, amps: float, time: float) -> None:
            more = amps - levels.get(name, 0.0)
            here = self._steps.get((role, load))
            fresh = here is None or time - here.start > KEPT_S / 10
            if mine(name) and more > 1e-4 and fresh and self._looked_at == (role, load):
                parent = rail.parent.load - rail.load if rail.parent is not None else 0.0
                here = self._steps[role, load] = Step(board, time, rail.load, parent)
            if here is not None and time - here.start <= KEPT_S:
                here.changes.append((time - here.start, more))
            levels[name] = amps

        def set_load(name: str, amps: float, time: float) -> None:
            if not inside and name not in over:
                note(name, amps, time)
            plain_set(name, amps, time)

        def bursts(name: str, draws: Sequence[tuple[float, float]], time: float) -> None:
            nonlocal inside
            if time >= over.get(name, 0.0) - 1e-9:  # not the rest of one that the rail takes piece by piece
                at = time
                for amps, seconds in draws:
                    note(name, amps, at)
                    at += seconds
                note(name, 0.0, at)
                over[name] = at
            inside = True
            plain_bursts(name, draws, time)
            inside = False

        rail.set_load, rail.bursts = set_load, bursts  # type: ignore[method-assign]

    def _watch_sends(self) -> None:
        """On sim a send is worked out as a whole: CE and interrupt are in its outcome, not on the lines."""
        wiring = self.bench.chips[Role.HAND].chip.hardware
        plain = wiring.transact

        def transact(payload: bytes, time: float, no_ack: bool) -> Any:
            outcome = plain(payload, time, no_ack)
            self._ce._changed(1.0, time)
            for got in outcome.received:
                self._irq._changed(0.0, got.time)
            return outcome

        wiring.transact = transact


def droop_truth(step: Step, rail_name: str, end: float, aperture: float) -> Droop:
    """The rail's course after the step, from the same description alone, without noise.

    end: s after it. aperture: s over which every sample is a mean; a spike shorter than that nobody can see.
    """
    agenda = Agenda()
    spec = step.board.spec.rail[rail_name]
    parent = Rail(spec.fed_from, step.board.spec.rail[spec.fed_from], agenda, None) if spec.fed_from else None
    rail = Rail(rail_name, spec, agenda, parent)
    if parent is not None:
        parent.set_load("rest", step.parent_base, 0.0)
    total = step.base
    rail.set_load("all", total, 0.0)
    start = 10.0
    rest = rail.volts(start - 1e-6)
    changes = sorted(step.changes)
    over = min(max((at for at, amps in changes if amps < 0), default=end), end)
    course = []
    for at in np.arange(0.25e-6, over, GRAIN_S):
        while changes and changes[0][0] <= at:
            when, amps = changes.pop(0)
            total += amps
            rail.set_load("all", total, start + when)
        course.append(rail.volts(start + at))
    seen = np.array(course)
    if aperture:
        width = round(aperture / GRAIN_S)
        seen = np.convolve(seen, np.full(width, 1 / width), "valid")
    lowest = float(seen.min())
    plain = not spec.regulator_volts
    ohms = spec.series_ohms + spec.joint_ohms + spec.bulk_esr_ohms
    return Droop(rest - lowest, 1e-6 * (ohms * (spec.bulk_uf + 0.1) if plain else spec.regulator_recovery_us))
