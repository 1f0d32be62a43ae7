"""A supply rail: its voltage at any time, under loads that are switched at instants, worked out only when asked.

Loads are constant currents between switchings. Switchings are noted, and solved exactly (`regulator`) when somebody
asks for the voltage, or when the sum of loads is so great that a watched level might be met. The test for that is
one comparison: the node can never be lower than target - load · W, W being the total variation of its answer to a
unit step. So radio bursts on a sound rail cost next to nothing, and on a weak one they are solved one by one.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

from benchctl.benchfile import RailSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.regulator import Feed, Stretch, feed_of

#: told whether the rail is now below the level, and when
OnLevel = Callable[[bool, float], object]

#: shortest dip that a brown-out detector sees; ATmega328P data sheet, Table 29-11: 2 µs
LEAST_DIP = 2e-6
#: hysteresis of the brown-out detector, same table: 50 mV
HYSTERESIS = 0.05
#: the current's overshoot after a step is less than this (e^-2 of the step, on top of what went before)
OVERSHOOT = 1.5
MARGIN = 0.02
#: noted switchings are dropped beyond this many, counted from the newest; what is older has long settled
KEPT = 512
REPLAYED = 64
GRID = 20e-6
_SHORTEST = 1e-8
#: milliseconds of which the lowest voltage is kept
BINS = 100_000


class Watch:
    """A level that is watched: `below` is the present state."""

    __slots__ = ("below", "hold", "hysteresis", "level", "tell")

    def __init__(self, level: float, tell: OnLevel, hysteresis: float, hold: float) -> None:
        self.level, self.tell, self.hysteresis, self.hold = level, tell, hysteresis, hold
        self.below = False


class Rail:
    """One rail; amps, volts and seconds throughout. `parent` feeds it, or its own source does."""

    def __init__(self, name: str, spec: RailSpec, agenda: Agenda, parent: Rail | None = None) -> None:
        self.name = name
        self.spec = spec
        self.parent = parent
        self.children: list[Rail] = []
        self.on = True
        self._agenda = agenda
        self._regulated = spec.regulator_volts > 0
        self._limit = spec.regulator_limit_ma * 1e-3 or math.inf
        self._feed = feed_of(
            bulk_f=spec.bulk_uf * 1e-6, esr=spec.bulk_esr_ohms, ceramic_f=spec.ceramic_uf * 1e-6,
            ceramic_esr=spec.ceramic_esr_ohms, leak=1.0 / spec.leak_ohms,
            series_ohms=spec.series_ohms, inductance_h=spec.inductance_uh * 1e-6, joint_ohms=spec.joint_ohms,
            regulated=self._regulated, limit_a=spec.regulator_limit_ma * 1e-3,
            recovery_s=spec.regulator_recovery_us * 1e-6,
        )  # fmt: skip
        self._cut = replace(self._feed, least=0.0, most=0.0)
        self._loads: dict[str, float] = {}
        self._total = 0.0
        self._solved_load = 0.0
        self._pending: list[tuple[float, float]] = []
        self._bursts: list[tuple[float, Sequence[tuple[float, float]]]] = []
        self._watches: list[Watch] = []
        self._entry: Entry | None = None
        self._alert_until = -math.inf
        self._bins: dict[int, float] = {}
        self._past: deque[Stretch] = deque(maxlen=256)
        if parent is not None:
            parent.children.append(self)
        self._now = self._stretch(agenda.now, *self._at_rest(0.0, agenda.now), 0.0)
        self._settle = min(self._feed.settle, 1.0)
        self._worst = _total_variation(self._feed)
        self._safe_amps = 0.0
        self._recording = False
        self._weigh()
        if parent is not None:
            parent._weigh()

    # -- loads ------------------------------------------------------------------------------------------------

    def set_load(self, name: str, amps: float, time: float) -> None:
        """From `time` on, the thing called `name` draws `amps`."""
        delta = amps - self._loads.get(name, 0.0)
        if not delta:
            return
        self._loads[name] = amps
        total = self._total = self._total + delta
        self._pending.append((time, delta))
        if self.parent is not None:
            self.parent.set_load(self.name, min(max(total, 0.0), self._limit), time)
        if total <= self._safe_amps and time > self._alert_until:
            if len(self._pending) > 2 * KEPT:
                self._forget()
        else:
            self._look(time)

    def burst(self, name: str, amps: float, seconds: float, time: float) -> None:
        """`amps` more for `seconds` from `time` on; cheaper than switching on and off. No two of one name overlap."""
        self.bursts(name, ((amps, seconds),), time)

    def bursts(self, name: str, draws: Sequence[tuple[float, float]], time: float) -> None:
        """The same for several (amps, seconds), each right after the one before."""
        most = max(draws)[0]
        if self._total + most > self._safe_amps or time <= self._alert_until:
            self._one_by_one(name, draws, time)
            return
        self._bursts.append((time, draws))
        if len(self._bursts) > KEPT:
            self._note_bursts(time)
        if self.parent is not None:
            if most > self._limit:
                draws = [(min(amps, self._limit), seconds) for amps, seconds in draws]
            self.parent.bursts(self.name + "+", draws, time)

    def _one_by_one(self, name: str, draws: Sequence[tuple[float, float]], time: float) -> None:
        (amps, seconds), *others = draws
        self.set_load(name, self._loads.get(name, 0.0) + amps, time)
        self._agenda.at(time + seconds, lambda: self.set_load(name, self._loads[name] - amps, self._agenda.now))
        if others:
            self._agenda.at(time + seconds, self.bursts, name, others, time + seconds)

    @property
    def load(self) -> float:
        """What is drawn at present, in amps, besides the leak."""
        return self._total

    def switch(self, on: bool, time: float) -> None:
        """Connect or disconnect the source (of a rail that has one of its own)."""
        if on != self.on:
            self.on = on
            self._pending.append((time, 0.0))
            self._look(time)

    # -- what is asked -----------------------------------------------------------------------------------------

    def volts(self, time: float) -> float:
        """At the parts' pins at `time`, without noise. The time may lie a little back, not ahead of later loads."""
        if time < self._now.start:
            return self._earlier(time)
        self._solve(time)
        if time < self._now.start:  # a clamp was met within the shortest step
            return self._now.node(0.0)
        return self._now.node(time - self._now.start)

    def minimum_since(self, time: float) -> float:
        """Lowest voltage from `time` to now; of everything only once `record` was called, else of what was solved."""
        now = self._agenda.now
        self._solve(now)
        found = [volts for bin_, volts in self._bins.items() if bin_ >= int(time * 1e3)]
        ends = now
        for stretch in (self._now, *reversed(self._past)):
            found.append(stretch.lowest(max(0.0, ends - stretch.start), max(0.0, time - stretch.start))[0])
            ends = stretch.start
            if ends <= time:
                break
        return min(found)

    def record(self) -> None:
        """From now on solve every switching, so that `minimum_since` misses none. Slower."""
        self._recording = True
        self._weigh()

    def watch(self, level: float, tell: OnLevel, hysteresis: float = HYSTERESIS, hold: float = LEAST_DIP) -> Watch:
        """Call `tell(True, time)` once it has been below `level` for `hold`, `tell(False, time)` once above again.

        "Above" is level + hysteresis. It is not told of the state at the start: see `below` of what is returned.
        """
        made = Watch(level, tell, hysteresis, hold)
        made.below = self.volts(self._agenda.now) < level
        self._watches.append(made)
        self._weigh()
        if self.parent is not None:
            self.parent._weigh()
        return made

    def ohms_to_ground(self) -> float:
        """What a meter reads across the unpowered rail."""
        return self.spec.leak_ohms

    # -- solving -------------------------------------------------------------------------------------------------

    def _stretch(self, time: float, volts: float, amps: float, load: float) -> Stretch:
        feed = self._feed if self._powered() else self._cut
        above = self._above(time, load)
        target = self._target(above)
        if self._regulated:
            # cut short what would drive the output above the input: a free answer peaks at amps·τ/(C·e)
            room = (
                max(0.0, above - max(target, volts)) * feed.capacity * math.e / (1e-6 * self.spec.regulator_recovery_us)
            )
            amps = min(amps, load + room)
        return Stretch(feed, time, max(0.0, volts), amps, load, target)

    def _powered(self) -> bool:
        return self.on if self.parent is None else True

    def _above(self, time: float, load: float) -> float:
        """Volts that feed the regulator, or the path to the node."""
        source = self.parent.volts(time) if self.parent is not None else self.spec.source_volts
        return source - self.spec.series_ohms * load if self._regulated else source

    def _target(self, above: float) -> float:
        if not self._regulated:
            return above
        return max(0.0, min(self.spec.regulator_volts, above - self.spec.regulator_dropout_v))

    def _at_rest(self, load: float, time: float) -> tuple[float, float]:
        """(volts, amps) long after the last switching."""
        feed = self._feed
        if not self._powered():
            return 0.0, 0.0
        target = self._target(self._above(time, load))
        volts = (target - feed.ohms * load) / (1.0 + feed.ohms * feed.leak)
        amps = load + feed.leak * volts
        if amps <= feed.most:
            return max(0.0, volts), amps
        return max(0.0, (feed.most - load) / feed.leak if feed.leak else 0.0), feed.most

    def _solve(self, time: float) -> None:
        """Work the noted switchings up to `time` into stretches."""
        if self._bursts:
            self._note_bursts(time)
        if self._pending:
            if len(self._pending) > REPLAYED:
                self._skip(time)
            self._pending.sort()
            count = 0
            for when, delta in self._pending:
                if when > time:
                    break
                count += 1
                self._advance(when)
                self._solved_load += delta
                self._begin(when)
            del self._pending[:count]
            if not self._pending:
                self._total = sum(self._loads.values())
                self._solved_load = self._total
        self._advance(time)

    def _note_bursts(self, now: float) -> None:
        """Bursts become switchings, but those that are long over and settled."""
        settled, note = now - self._settle, self._pending.append
        for start, draws in self._bursts:
            end = start
            for _, seconds in draws:
                end += seconds
            if end < settled:
                continue
            when, last = start, 0.0
            for amps, seconds in draws:
                note((when, amps - last))
                when, last = when + seconds, amps
            note((when, -last))
        self._bursts.clear()
        if len(self._pending) > 2 * KEPT:
            self._forget()

    def _skip(self, time: float) -> None:
        """Take noted switchings as settled that are so long ago, or all but the last few up to `time`."""
        self._pending.sort()
        due = bisect_right(self._pending, (time, math.inf))
        settled = max(bisect_right(self._pending, (time - self._settle, math.inf)), due - REPLAYED)
        if settled > 0:
            self._take_as_settled(settled)

    def _forget(self) -> None:
        """Drop noted switchings that nobody asked about; the newest stay."""
        self._pending.sort()
        self._take_as_settled(len(self._pending) - KEPT)

    def _take_as_settled(self, count: int) -> None:
        old = self._pending[:count]
        del self._pending[:count]
        self._solved_load += sum(delta for _, delta in old)
        start = max(old[-1][0], self._now.start)
        self._put(self._stretch(start, *self._at_rest(self._solved_load, start), self._solved_load))

    def _begin(self, time: float) -> None:
        """A new stretch at `time` with the load as it is now."""
        time = max(time, self._now.start)
        volts, amps = self._now.state(time - self._now.start)
        self._put(self._stretch(time, volts, amps, self._solved_load))

    def _put(self, stretch: Stretch) -> None:
        old = self._now
        if stretch.start > old.start:
            self._past.append(old)
            if self._recording:
                lowest, after = old.lowest(stretch.start - old.start)
                bin_ = int((old.start + after) * 1e3)
                self._bins[bin_] = min(lowest, self._bins.get(bin_, math.inf))
                if len(self._bins) > BINS:
                    del self._bins[next(iter(self._bins))]
        self._now = stretch

    def _advance(self, time: float) -> None:
        """Pass clamps met or left, and follow a moving parent, up to `time`."""
        while True:
            now = self._now
            ends = now.start + max(now.ends, _SHORTEST)
            if self.parent is not None:
                ends = min(ends, self.parent._next_look(now.start))
            if ends > time:
                return
            self._begin(ends)

    def _next_look(self, time: float) -> float:
        """When a rail that is fed by this one, and looked at `time`, has to look again."""
        here, until = self._now, math.inf
        for stretch in () if time >= here.start else reversed(self._past):
            here, until = stretch, here.start
            if stretch.start <= time:
                break
        if here.start > time:  # what went before is forgotten
            return here.start
        after = time - here.start
        if _moving(here, after):
            return min(until, time + max(GRID, 0.1 * after))
        return until

    def _earlier(self, time: float) -> float:
        for stretch in reversed(self._past):
            if stretch.start <= time:
                return stretch.node(time - stretch.start)
        return self._now.node(0.0)

    # -- watching ------------------------------------------------------------------------------------------------

    def _weigh(self) -> None:
        """Work out up to which load nothing can happen, for this rail as it is now."""
        needs = [watch.level + watch.hysteresis + MARGIN for watch in self._watches]
        target = self.spec.regulator_volts if self._regulated else self.spec.source_volts
        most = self._limit / OVERSHOOT
        if self.parent is not None:
            top = self.parent._top()
            target = min(target, top) if self._regulated else 0.97 * top
            most = min(most, 0.3)
        needs += [child._needs_above() for child in self.children]
        room = target - max(needs, default=-math.inf)
        self._safe_amps = -math.inf if self._recording else min(most, room / self._worst)

    def _top(self) -> float:
        """Highest voltage this rail can have."""
        above = self.spec.source_volts if self.parent is None else self.parent._top()
        return min(above, self.spec.regulator_volts) if self._regulated else above

    def _needs_above(self) -> float:
        """What the feeding rail must have, so that this one need not look at it."""
        spec = self.spec
        if not self._regulated:
            return 0.97 * self._top()
        return spec.regulator_volts + spec.regulator_dropout_v + spec.series_ohms * min(self._limit, 0.3) + MARGIN

    def _look(self, time: float) -> None:
        """Something great enough happened: solve up to now and foresee the next crossing."""
        self._alert_until = time + self._settle
        self._solve(time)
        for child in self.children:
            child._parent_moved(time)
        self._foresee(time)

    def _parent_moved(self, time: float) -> None:
        self._pending.append((time, 0.0))
        self._look(time)

    def _foresee(self, time: float) -> None:
        """Put the next crossing of a watched level on the agenda."""
        if self._entry is not None:
            self._entry.cancel()
            self._entry = None
        if not self._watches:
            return
        self._solve(time)
        if self._now.start < time:
            self._begin(time)
        stretch = self._now
        for _ in range(8):
            due = [(when, n) for n, watch in enumerate(self._watches) if (when := _next(stretch, watch)) is not None]
            if due:
                when, n = min(due)
                # a crossing nearer than the grain of time would be foreseen again and again
                when = max(when, _SHORTEST)
                self._entry = self._agenda.at(stretch.start + when, self._crossed, self._watches[n])
                self._stay_alert(stretch.start + when)
                return
            if stretch.ends == math.inf:
                # a rail that rests below a watched level comes up again by a switching that is small in itself
                low = any(watch.below for watch in self._watches)
                self._stay_alert(math.inf if stretch.mode or low else stretch.start)
                break
            ends = max(stretch.ends, _SHORTEST)
            volts, amps = stretch.state(ends)
            # not `_stretch`: that would ask, and so solve, the parent ahead of time
            stretch = Stretch(stretch.feed, stretch.start + ends, max(0.0, volts), amps, stretch.load, stretch.target)
        if self.parent is not None and (again := self.parent._next_look(time)) < math.inf:
            self._entry = self._agenda.at(again, self._again)

    def _stay_alert(self, time: float) -> None:
        """Every switching is looked at until the rail has settled after `time`."""
        self._alert_until = max(self._alert_until, time + self._settle)

    def _again(self) -> None:
        self._pending.append((self._agenda.now, 0.0))
        self._solve(self._agenda.now)
        self._foresee(self._agenda.now)

    def _crossed(self, watch: Watch) -> None:
        time = self._agenda.now
        volts = self.volts(time)
        self._entry = None
        if watch.below and volts >= watch.level + watch.hysteresis - 1e-9:
            watch.below = False
            watch.tell(False, time)
        elif not watch.below and volts < watch.level + 1e-9:
            watch.below = True
            watch.tell(True, time)
        if self._entry is None:
            self._again()


def _moving(stretch: Stretch, after: float) -> bool:
    """The voltage is still on its way."""
    if stretch.mode == 0 and after >= stretch.feed.settle:
        return False
    volts = stretch.node(after)
    return abs(volts - max(0.0, stretch.rest)) > 2e-3


def _next(stretch: Stretch, watch: Watch) -> float | None:
    """Seconds until the watch would change on this stretch, its hold included."""
    if watch.below:
        return stretch.rises(watch.level + watch.hysteresis, math.inf)
    when = stretch.crosses(watch.level, math.inf)
    return None if when is None else when + watch.hold


def _total_variation(feed: Feed) -> float:
    """Of the node's answer to a load of one amp: no sequence of loads up to I takes it down by more than I times it."""
    open_feed = replace(feed, least=-math.inf, most=math.inf)
    high = 1e5  # so that nothing comes near zero; the law is linear
    before = high / (1.0 + feed.ohms * feed.leak)
    stretch = Stretch(open_feed, 0.0, before, feed.leak * before, 1.0, high)
    least, most = 1e-10, max(stretch.settles(), 1e-5)
    moved, last = feed.esr, before - feed.esr
    for n in range(400):
        here = stretch.node(least * (most / least) ** (n / 399))
        moved += abs(here - last)
        last = here
    return 1.1 * moved
