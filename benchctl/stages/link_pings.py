"""Pings over the air: the round trip, and the relation of the two boards' clocks, followed while a stage runs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis import latency as lat
from benchctl.analysis.clocks import ClockMap
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.timing import IRQ_US, SETTLE_US
from benchctl.stages.contract import Context
from benchctl.stages.host_clock import Rate
from benchctl.stages.link_run import FEWEST_PINGS, Clocks, LinkRun, Packets, Pings, Radio, joined, relate
from benchctl.terms import Interval, Role, Source
from benchctl.units import TICK_US
from benchctl.wire.catalogue import LinkMode

Floats = npt.NDArray[np.float64]
_LEAST_INTERVAL_US = 5000
_TRIPS = {"at": "s", "round trip": "us"}


def _trips(ctx: Context) -> ev.Picture:
    return ctx.picture("round trip of each ping", round_trip="round_trip.p99")


def ping(ctx: Context, radio: Radio, clocks: Clocks, test: int, count: int) -> Pings:
    """Pings from hand to craft."""
    run = LinkRun(ctx, Role.HAND, Role.CRAFT, clocks, test)
    ctx.cleanup.callback(run.stop_quietly)
    interval = max(ctx.count("interval_us"), _LEAST_INTERVAL_US)
    run.start(LinkMode.PING, count, interval, radio.payload)

    def enough() -> bool:
        ctx.glimpse("round_trip", "latency", _TRIPS, run.trips_so_far(), _trips(ctx))
        return run.sent_so_far >= count

    run.run(count * interval * 1e-6, enough, "pings")
    run.stop()
    return run.pings()


def judge_pings(ctx: Context, radio: Radio, stretches: Sequence[Pings], rate: Rate) -> ClockMap | None:
    """Readings of all stretches together, and the relation of craft to hand from the first ping to the last."""
    pings = joined(stretches)
    total, lost = pings.total, pings.lost
    if total == 0:
        ctx.doubt("the hand board logged no pings")
        return None
    ctx.read(
        "echo_loss", 100 * lost / total, "%", total, clopper_pearson(lost, total).scaled(100), Source.COUNTING,
        note="pings without an echo, either way",
    )  # fmt: skip
    if len(pings) < FEWEST_PINGS:
        return None
    trip = ((pings.t4 - pings.t1) - (pings.t3 - pings.t2)) * rate.factor
    ctx.samples("round_trip", "latency", _TRIPS, np.column_stack((pings.t1 * 1e-6, trip)), _trips(ctx))
    # CE to interrupt, both ways: no upload, no read
    floor = 2 * (SETTLE_US + radio.format.air_us + IRQ_US[radio.format.rate])
    read_quantiles(ctx, "round_trip", trip, floor, ("p50", "p99"), TICK_US + rate.half * 1e-6 * floor)
    relation = relate(pings)
    ctx.read(
        "clock_skew", relation.skew, "ppm", len(pings), relation.skew_interval, Source.CLOCK,
        note="craft's oscillator against hand's, by two-way transfer over the air",
    )  # fmt: skip
    _drift(ctx, stretches)
    return relation


def _drift(ctx: Context, stretches: Sequence[Pings]) -> None:
    """How the skew has moved from the first stretch to the last."""
    first, last = stretches[0], stretches[-1]
    if len(stretches) < 2 or min(len(first), len(last)) < FEWEST_PINGS:
        return
    before, after = relate(first), relate(last)
    moved = after.skew - before.skew
    half = math.hypot(*((r.skew_interval.high - r.skew_interval.low) / 2 for r in (before, after)))
    seconds = float(last.t1[0] - first.t1[-1]) * 1e-6
    ctx.read(
        "clock_drift", moved, "ppm", len(first) + len(last), Interval(moved - half, moved + half), Source.CLOCK,
        note=f"change of the skew over {seconds:.0f} s, followed in between",
    )  # fmt: skip


#: what the traffic of the two directions and the pings may differ by
CHECKED_US = 10.0


def check_directions(ctx: Context, radio: Radio, relation: ClockMap, there: Packets, back: Packets) -> None:
    """The relation against traffic that it was not made from: CE to interrupt takes as long in either direction.

    Half the difference of the two directions is what the offset is wrong by in the middle of the traffic.
    """
    out = (relation.to_a(there.received) - there.queued - there.air)[~there.lost]
    home = (back.received - relation.to_a(back.queued + back.air))[~back.lost]
    if min(len(out), len(home)) < FEWEST_PINGS:
        return
    wrong = (lat.median(out) - lat.median(home)) / 2
    spreads = [lat.quantile_interval(d, 0.5) for d in (out, home)]
    sampling = math.hypot(*(0.0 if s is None else (s.high - s.low) / 2 for s in spreads)) / 2
    middles = [float(np.median(there.queued)), float(np.median(relation.to_a(back.queued)))]
    half = sampling + float(relation.half_width(middles).max())
    if half > CHECKED_US:
        ctx.note(f"the clocks' relation is good to {half:.0f} µs only: too little to be checked to {CHECKED_US:.0f} µs")
        return
    # what an interrupt and a loop take is a number of cycles: at 8 MHz twice the time
    share = min(_mhz(ctx, role) for role in (Role.HAND, Role.CRAFT)) / 16
    note = "offset of the clocks by the traffic of both directions, against the pings"
    note += f"; {wrong:.1f} µs, told as at 16 MHz" if share != 1 else ""
    about = Interval(wrong - half, wrong + half).scaled(share)
    ctx.read("clock_check", wrong * share, "us", len(out) + len(home), about, Source.CLOCK, note=note)


def _mhz(ctx: Context, role: Role) -> float:
    found = ctx.board(role).identity
    return found.clock_hz / 1e6 if found is not None else 16.0


def read_quantiles(
    ctx: Context, name: str, delays: Floats, floor: float, wanted: Sequence[str], doubt: float = 0.0
) -> None:
    """Quantiles with order-statistic intervals; a quantile is only claimed from enough samples for it.

    delays: µs, infinite for what never came. doubt: µs by which clocks may be wrong, added to the intervals.
    """
    for label in wanted:
        share = int(label[1:]) / 100
        n = len(delays)
        spread = lat.quantile_interval(delays, share) if n else None
        value = lat.quantile(delays, share) if n and spread is not None else math.nan
        if spread is None or not math.isfinite(value):
            ctx.read(f"{name}_{label}", math.nan, "us", 0, source=Source.CLOCK, floor=floor, note="too few packets")
            continue
        source = Source.CLOCK if 2 * doubt > spread.high - spread.low else Source.SAMPLING
        finite = None
        if math.isfinite(spread.high):
            finite = Interval(max(0.0, spread.low - doubt), spread.high + doubt, spread.level)
        ctx.read(f"{name}_{label}", value, "us", n, finite, source, floor)
