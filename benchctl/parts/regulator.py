"""What feeds a rail's node, as one linear law of second order with a clamp; solved exactly between events.

State: v, volts on the bulk capacitor C, and i, amps arriving at the node. With load I, leak conductance g and
target voltage T:

    C·dv/dt = i - I - g·v
    di/dt   = a·(T - R·i - v) - b·(i - I - g·v)          least ≤ i ≤ most

A plain path of resistance R and inductance L: a = 1/L, b = ESR/L. A regulator that answers a step critically damped
with time constant τ, whatever C: a = C/τ², b = 2/τ. The node shows v + ESR·(i - I - g·v). Textbook circuit theory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

#: s: a burst of 32 bytes at 1 Mbps; of two capacitors at a node the one that has sunk as far as both by its end
BURST_S = 0.46e-3
#: so little ceramic (0.1 µF) only softens edges, and is counted to the bulk
FEW_F = 1.5e-7
LEAST_H = 1e-8
LEAST_OHMS = 1e-4
#: a mode of `Stretch`
DOWN = 2


@dataclass(frozen=True)
class Feed:
    """The constants of one rail: capacity, esr, leak, ohms (R), a, b; amps are clamped to least … most.

    The law's matrix is [[-g/C, 1/C], [-a + b·g, -(a·R + b)]]. mu: half its trace. delta: half the distance of its
    roots, along the real axis (real) or across. settle: seconds until a free start is forgotten, to 0.1 %.
    """

    capacity: float
    esr: float
    leak: float
    ohms: float
    a: float
    b: float
    least: float
    most: float
    mu: float = field(init=False)
    delta: float = field(init=False)
    real: bool = field(init=False)
    settle: float = field(init=False)

    def __post_init__(self) -> None:
        mu = 0.5 * (-self.leak / self.capacity - self.a * self.ohms - self.b)
        spread = mu**2 - (self.a / self.capacity) * (1.0 + self.leak * self.ohms)
        delta = math.sqrt(abs(spread))
        slow = -mu - delta if spread >= 0 else -mu
        made = {"mu": mu, "delta": delta, "real": spread >= 0, "settle": 7.0 / max(slow, 1e-3)}
        for name, value in made.items():
            object.__setattr__(self, name, value)


def side_by_side(bulk_f: float, esr: float, ceramic_f: float, ceramic_esr: float) -> tuple[float, float]:
    """(farads, ohms) of the one capacitor that stands for both: it gives way as far at once, and by a burst's end.

    Under a constant current I both give way by I·(r + t/(C1 + C2) + (R - r)·(1 - exp(-t/τ))), with r their ohms in
    parallel, R = (r1·C1² + r2·C2²)/(C1 + C2)², τ = (r1 + r2)·C1·C2/(C1 + C2). Textbook circuit theory.
    """
    both = bulk_f + ceramic_f
    if ceramic_f <= FEW_F:
        return both, esr if bulk_f >= ceramic_f else ceramic_esr
    at_once = esr * ceramic_esr / max(esr + ceramic_esr, LEAST_OHMS)
    late = (esr * bulk_f**2 + ceramic_esr * ceramic_f**2) / both**2 - at_once
    tau = max((esr + ceramic_esr) * bulk_f * ceramic_f / both, 1e-9)
    return BURST_S / (BURST_S / both + late * (1.0 - math.exp(-BURST_S / tau))), at_once


def feed_of(
    *, bulk_f: float, esr: float, ceramic_f: float, ceramic_esr: float, leak: float, series_ohms: float,
    inductance_h: float, joint_ohms: float, regulated: bool, limit_a: float, recovery_s: float,
) -> Feed:  # fmt: skip
    """The feed of a rail in SI units; limit_a 0 is "no limit"."""
    capacity, esr = side_by_side(bulk_f, esr, ceramic_f, ceramic_esr)
    # the leak hangs at the node, not at the capacitor: the same law with a little less ESR and more capacity
    capacity, esr = capacity * (1.0 + esr * leak), esr / (1.0 + esr * leak)
    most = limit_a if limit_a > 0 else math.inf
    if regulated:
        a = capacity / recovery_s**2
        # a short damps by itself; more feed-forward of its current would turn the law round
        b = min(2.0 / recovery_s, 0.5 * a / leak) if leak > 0 else 2.0 / recovery_s
        return Feed(capacity, esr, leak, max(joint_ohms, LEAST_OHMS), a, b, 0.0, most)
    inductance = max(inductance_h, LEAST_H)
    ohms = max(series_ohms + joint_ohms, LEAST_OHMS)
    return Feed(capacity, esr, leak, ohms, 1.0 / inductance, esr / inductance, -math.inf, most)


class Stretch:
    """The node from `start` on, while load and target stay as they are: exact, until a clamp is met.

    mode: 0 free, +1 held at the upper clamp, -1 at the lower, DOWN at zero volts under a load that the feed cannot
    carry. `ends` is when the mode changes by itself, seconds after the start; infinity when never.
    """

    __slots__ = (
        "_delta",
        "_mu",
        "_real",
        "_sv",
        "_v0",
        "amps",
        "ends",
        "feed",
        "load",
        "mode",
        "start",
        "target",
        "volts",
    )

    def __init__(self, feed: Feed, start: float, volts: float, amps: float, load: float, target: float) -> None:
        self.feed, self.start, self.volts, self.load, self.target = feed, start, volts, load, target
        self.amps = min(max(amps, feed.least), feed.most)
        f = feed
        slope = f.a * (target - f.ohms * self.amps - volts) - f.b * (self.amps - load - f.leak * volts)
        grain = 1e-9 * f.a * (1.0 + target)  # a slope that rounding can make
        most = min(target / f.ohms, f.most)
        self.mode = 0
        if volts <= 0 and most < load:
            self.mode, self.amps = DOWN, most
        elif self.amps >= f.most and (slope > grain or f.least == f.most):
            self.mode = 1
        elif self.amps <= f.least and slope < -grain:
            self.mode = -1
        self._mu, self._real, self._delta = f.mu, f.real, f.delta
        self._v0 = (target - f.ohms * load) / (1.0 + f.ohms * f.leak)
        self._sv = volts - self._v0
        self.ends = math.inf
        if self.mode == 0:
            if f.most < math.inf or f.least > -math.inf:
                self.ends = self._meets_clamp()
            if self._v0 < 0 < volts:
                self.ends = min(self.ends, _root(lambda t: self.state(t)[0], f.settle))
        elif self.mode != DOWN:
            self.ends = min(self._leaves_clamp(), self._falls_to_zero())

    @property
    def rest(self) -> float:
        """Volts at the node in the end."""
        if self.mode == 0:
            return self._v0
        net = self.amps - self.load
        if self.mode == DOWN or net <= 0:
            return 0.0
        return net / self.feed.leak if self.feed.leak else math.inf

    def settles(self) -> float:
        """Seconds until a free stretch has forgotten its start."""
        return self.feed.settle

    def horizon(self) -> float:
        """Seconds after which nothing new comes: settled, or the mode changes."""
        if self.ends < math.inf:
            return self.ends
        if self.mode in (0, DOWN):
            return self.settles()
        leak = self.feed.leak
        return 7.0 * self.feed.capacity / leak if leak else self.settles()

    def _falls_to_zero(self) -> float:
        """When a clamped node is down at zero."""
        net, leak, capacity = self.amps - self.load, self.feed.leak, self.feed.capacity
        if net >= 0 or self.volts <= 0:
            return math.inf
        if leak * self.volts < -1e-6 * net:
            return -capacity * self.volts / net
        rest = net / leak
        return capacity / leak * math.log((self.volts - rest) / -rest)

    def state(self, after: float) -> tuple[float, float]:
        """(v, i) `after` seconds from the start."""
        f = self.feed
        if self.mode == DOWN:
            return 0.0, self.amps
        if self.mode:
            return self._clamped_volts(after), self.amps
        c, s = self._basis(after)
        dv, di = self._sv, self.amps - self.load - f.leak * self._v0
        upper = -f.leak / f.capacity - self._mu
        v = c * dv + s * (upper * dv + di / f.capacity)
        i = c * di + s * ((f.b * f.leak - f.a) * dv - upper * di)
        return self._v0 + v, self.load + f.leak * self._v0 + i

    def node(self, after: float) -> float:
        """Volts that the parts see, never below zero."""
        v, i = self.state(after)
        return max(0.0, v + self.feed.esr * (i - self.load - self.feed.leak * v))

    def _basis(self, after: float) -> tuple[float, float]:
        """e^μt·cosh(δt) and e^μt·sinh(δt)/δ, or their circular kin; written so that nothing overflows."""
        mu, delta = self._mu, self._delta
        if not self._real:
            e = math.exp(mu * after)
            return e * math.cos(delta * after), e * math.sin(delta * after) / delta
        if delta * after < 1e-6:
            e = math.exp(mu * after)
            return e, e * after
        slow, fast = math.exp((mu + delta) * after), math.exp((mu - delta) * after)
        return 0.5 * (slow + fast), 0.5 * (slow - fast) / delta

    def _clamped_volts(self, after: float) -> float:
        f = self.feed
        net = self.amps - self.load
        if f.leak * after < 1e-9 * f.capacity:
            return self.volts + net * after / f.capacity
        rest = net / f.leak
        return rest + (self.volts - rest) * math.exp(-f.leak * after / f.capacity)

    def _leaves_clamp(self) -> float:
        """When the free law would bring the current back inside. It is linear in v, so v has one value for it."""
        f = self.feed
        if f.least == f.most:
            return math.inf
        turn = (f.a * (self.target - f.ohms * self.amps) - f.b * (self.amps - self.load)) / (f.a - f.b * f.leak)
        gap = turn - self.volts
        net = self.amps - self.load - f.leak * self.volts
        if gap * net <= 0:
            return math.inf if gap * self.mode > 0 else 0.0
        if f.leak * abs(gap) < 1e-6 * abs(net):
            return gap * f.capacity / net
        rest = (self.amps - self.load) / f.leak
        if (rest - turn) * (rest - self.volts) <= 0:
            return math.inf
        return -f.capacity / f.leak * math.log((rest - turn) / (rest - self.volts))

    def _meets_clamp(self) -> float:
        """When the free current first leaves the clamps."""
        f = self.feed
        last = self.load + f.leak * self._v0
        peak_after = self._turning(*self._current_slope())
        peak = self.state(peak_after)[1] if peak_after is not None else self.amps
        reached = max(peak, last) > f.most + 1e-9 or min(peak, last) < f.least - 1e-9
        if not reached:
            return math.inf
        until = peak_after if peak_after is not None and not f.least <= peak <= f.most else self.settles()
        bound = f.most if self.state(until)[1] > self.amps else f.least
        return _root(lambda t: self.state(t)[1] - bound, until)

    def _current_slope(self) -> tuple[float, float]:
        """(p, q) with di/dt = e^μt·(p·c + q·s), for the place of its extreme."""
        f = self.feed
        dv, di = self._sv, self.amps - self.load - f.leak * self._v0
        upper = -f.leak / f.capacity - self._mu
        return self._slope_of(di, (f.b * f.leak - f.a) * dv - upper * di)

    def _slope_of(self, x: float, y: float) -> tuple[float, float]:
        """Of e^μt·(x·C + y·S): its slope in the same form; C and S are cosh, sinh/δ or cos, sin/δ."""
        square = self._delta**2 if self._real else -(self._delta**2)
        return self._mu * x + y, self._mu * y + square * x

    def _turning(self, p: float, q: float) -> float | None:
        """First t > 0 with p·C(t) + q·S(t) = 0, or None."""
        delta = self._delta
        if self._real:
            if delta < 1e-9 * abs(self._mu):
                return -p / q if q and -p / q > 0 else None
            ratio = -p * delta / q if q else math.inf
            return math.atanh(ratio) / delta if 0 < ratio < 1 else None
        angle = math.atan2(-p * delta, q) % math.pi
        return angle / delta if angle > 0 else math.pi / delta

    def lowest(self, within: float, since: float = 0.0) -> tuple[float, float]:
        """(volts, when) of the lowest node voltage in `since` … `within` seconds, as long as this stretch lasts."""
        best = (self.node(since), since)
        ends = [max(since, min(within, self.horizon()))]
        if not self.mode:
            turn = self._turning(*self._node_slope())
            if turn is not None and since < turn < ends[0]:
                ends.append(turn)
        for after in ends:
            volts = self.node(after)
            if volts < best[0]:
                best = (volts, after)
        return best

    def _node_slope(self) -> tuple[float, float]:
        f = self.feed
        dv, di = self._sv, self.amps - self.load - f.leak * self._v0
        upper = -f.leak / f.capacity - self._mu
        vy = upper * dv + di / f.capacity
        iy = (f.b * f.leak - f.a) * dv - upper * di
        kept = 1.0 - f.esr * f.leak
        return self._slope_of(kept * dv + f.esr * di, kept * vy + f.esr * iy)

    def crosses(self, level: float, within: float) -> float | None:
        """First time from the start at which the node is at or below `level`; None when it is not within that time."""
        volts, when = self.lowest(within)
        if volts > level:
            return None
        if self.node(0.0) <= level:
            return 0.0
        return self._reaches(level, when)

    def rises(self, level: float, within: float) -> float | None:
        """First time at which the node is at or above `level`, if it is at the end; None when it is not."""
        if self.node(0.0) >= level:
            return 0.0
        within = min(within, self.horizon())
        if self.node(within) >= level:
            return self._reaches(level, within)
        return None

    def _reaches(self, level: float, until: float) -> float:
        """When the node passes `level`, which lies between its values now and at `until`."""
        f = self.feed
        if self.mode == DOWN:
            return 0.0
        if not self.mode:
            return _root(lambda t: self.node(t) - level, until)
        net = self.amps - self.load
        wanted = (level - f.esr * net) / (1.0 - f.esr * f.leak)
        if f.leak * until < 1e-9 * f.capacity:
            return (wanted - self.volts) * f.capacity / net
        rest = net / f.leak
        return min(until, -f.capacity / f.leak * math.log((wanted - rest) / (self.volts - rest)))


def _root(f: Callable[[float], float], until: float) -> float:
    """Where `f` changes its sign in (0, until]; `until` when it does not. Secants that keep the bracket (Illinois)."""
    low, high, at_low, at_high = 0.0, until, f(0.0), f(until)
    if at_low * at_high >= 0:
        return until
    for _ in range(60):
        middle = high - at_high * (high - low) / (at_high - at_low)
        at_middle = f(middle)
        if at_middle * at_high <= 0:
            low, at_low = high, at_high
        else:
            at_low *= 0.5
        high, at_high = middle, at_middle
        if abs(high - low) <= 1e-11 or abs(at_high) <= 1e-12:
            break
    return high
