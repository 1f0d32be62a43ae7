"""Button to LED: latency from the switch edge on the hand unit to the LED pin on the craft, in its parts."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis import latency as lat
from benchctl.analysis.clocks import TICK_US, ClockMap
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.timing import AVR_16MHZ, IRQ_US, SETTLE_US, RadioFormat, one_way_floor_us
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.control_path import PARAMETERS, ControlPath, Parts, split
from benchctl.stages.host_clock import Rate
from benchctl.stages.link_run import RATES
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.wire.catalogue import Function, Point

_PARTS = ("sense", "queue", "air", "decode")
#: between stimuli: an odd time, so that they do not keep step with the 20 ms send interval
_DOWN_US, _UP_US = 31_700, 41_900
_PAYLOAD = 8
_COLUMNS = {"at": "us", **dict.fromkeys((*_PARTS, "total"), "us")}


def perform(ctx: Context) -> None:
    method = _method(ctx)
    path = ControlPath(ctx)
    path.set_up()
    path.start()
    if method == "self":
        _stimulate(ctx, path)
    else:
        _pressed(ctx, path)
    path.stop()
    relation = path.relation()
    if relation is None:
        ctx.doubt("too few pings came back to relate the two boards' clocks")
        return
    start = Point.STIMULUS if method == "self" else Point.EDGE
    parts = split(path.hand, path.craft, relation, start=start)
    _judge(ctx, parts.times(path.rate().factor), relation, path.rate())
    _loop_back(ctx, path, relation)


def _method(ctx: Context) -> str:
    """self-stimulated where the wiring is declared safe for it, else a person."""
    asked = ctx.word("method")
    safe = bool(ctx.board(Role.HAND).declared.settings.get("self_stimulus", 0))
    if asked == "self" and not safe:
        ctx.note("the hand unit's wiring is not declared safe for pulling its own switch line: a person presses")
    return "self" if safe and asked in ("auto", "self") else "person"


def _stimulate(ctx: Context, path: ControlPath) -> None:
    board, left = ctx.board(Role.HAND), ctx.count("presses")
    while left > 0:
        some = min(left, 20)
        board.ask("self_stimulus", function=Function.SWITCH1, presses=some, down_us=_DOWN_US, up_us=_UP_US)
        board.wait_done("self_stimulus", 2.0 + 2 * some * (_DOWN_US + _UP_US) * 1e-6)
        path.poll()
        left -= some
        _glimpse(ctx, path, Point.STIMULUS)
        ctx.progress(ctx.count("presses") - left, ctx.count("presses"), "stimulated presses")


def _table(parts: Parts) -> npt.NDArray[np.float64]:
    return np.column_stack((parts.at, parts.sense, parts.queue, parts.air, parts.decode, parts.total))


def _glimpse(ctx: Context, path: ControlPath, start: Point) -> None:
    """What there is by now, for whoever watches; the clocks' relation is that of the first pings."""
    relation = path.relation()
    if relation is not None:
        parts = split(path.hand, path.craft, relation, start=start)
        ctx.glimpse("latency_parts", "latency", _COLUMNS, _table(parts).tolist())


def _pressed(ctx: Context, path: ControlPath) -> None:
    presses = ctx.count("presses")
    prompt = ctx.prompt(
        ev.PromptKind.DO,
        f"Press switch1 {presses} times, about twice a second.",
        "press_switch",
        role=Role.HAND,
        detail=f"switch1 {presses}",
        timeout_s=2.0 * presses + 15.0,
    )
    began, seen = ctx.now(), 0
    while ctx.now() - began < prompt.timeout_s:
        ctx.wait(0.2)
        path.poll()
        before, seen = seen, len(path.hand.times(Point.DECIDED)) // 2
        if seen > before:
            _glimpse(ctx, path, Point.EDGE)
        ctx.progress(min(seen, presses), presses, f"{seen} of {presses} presses")
        if seen >= presses:
            break
    ctx.done(prompt)
    ctx.wait(0.5)


def _judge(ctx: Context, parts: Parts, relation: ClockMap, rate: Rate) -> None:
    radio = RadioFormat(RATES[ctx.word("rate")], _PAYLOAD)
    floor, floors = one_way_floor_us(radio, AVR_16MHZ), _floors(radio)
    doubt = float(relation.half_width([(relation.first + relation.last) / 2])[0])
    missed = parts.changes - parts.reached
    if parts.changes == 0:
        ctx.fail("no change of the switch line was seen by the hand unit")
        return
    ctx.read(
        "missed", 100 * missed / parts.changes, "%", parts.changes,
        clopper_pearson(missed, parts.changes).scaled(100), Source.COUNTING, note="changes that never reached the LED",
    )  # fmt: skip
    if not parts.reached:
        ctx.fail("no change of the switch reached the LED's pin")
        return
    ctx.samples("latency_parts", "latency", _COLUMNS, _table(parts))
    for share, name in ((0.5, "latency_p50"), (0.95, "latency_p95")):
        spread = lat.quantile_interval(parts.total, share)
        value = lat.quantile(parts.total, share) if spread is not None else math.nan
        n = parts.reached if spread is not None else 0
        about, source = _widened(spread, doubt + value * rate.half * 1e-6)
        ctx.read(name, value, "us", n, about, source, floor, note="" if n else "too few presses for the claim")
    for name in _PARTS:
        values = getattr(parts, name)
        known = values[np.isfinite(values)]
        if len(known):
            # the clocks' relation is in the air part only: the others begin and end on one board
            about, source = _widened(lat.quantile_interval(known, 0.5), doubt if name == "air" else TICK_US)
            ctx.read(f"{name}_p50", lat.median(known), "us", len(known), about, source, floors[name])
    ctx.read(
        "clock_uncertainty", doubt, "us", relation.exchanges, Interval(0.0, doubt), Source.CLOCK,
        note="of relating the two boards' clocks, in the middle of the stage",
    )  # fmt: skip


def _floors(radio: RadioFormat) -> dict[str, float]:
    """What the parts take at best: an interrupt, the upload, the air, the read-out."""
    spi = AVR_16MHZ.spi_us(radio.payload)
    air = SETTLE_US + radio.air_us + IRQ_US[radio.rate]
    return {"sense": AVR_16MHZ.interrupt_us, "queue": spi, "air": air, "decode": spi}


def _widened(spread: Interval | None, doubt: float) -> tuple[Interval | None, Source]:
    """A sampling interval with the clocks' doubt added, and which of the two is the larger."""
    if spread is None or not math.isfinite(doubt):
        return spread, Source.SAMPLING
    source = Source.CLOCK if 2 * doubt > spread.high - spread.low else Source.SAMPLING
    return Interval(max(0.0, spread.low - doubt), spread.high + doubt, spread.level), source


def _loop_back(ctx: Context, path: ControlPath, relation: ClockMap) -> None:
    """With a jumper from the craft's LED to the hand unit one clock times both ends: the check on all the rest."""
    back = path.hand.times(Point.LOOP)
    hand = ctx.board(Role.HAND)
    own = hand.identity is not None and hand.identity.own  # somebody's own sketch does not watch that pin
    if own or not hand.declared.wired("craft.led", "hand.loop_back"):
        return
    lit = path.craft.values(Point.APPLIED) <= 1
    applied, levels = path.craft.times(Point.APPLIED)[lit], path.craft.values(Point.APPLIED)[lit]
    # the craft applies on every packet; only changes show on the line
    changed = np.concatenate(([False], np.diff(levels) != 0)) if len(levels) else np.zeros(0, bool)
    there = relation.to_a(applied[changed])
    pairs = [(t, b) for t in there for b in back[np.abs(back - t) < 2000.0][:1]]
    if not pairs:
        ctx.note("the jumper from the craft's LED to the hand unit shows no edges: not plugged in?", "warning")
        return
    gaps = np.array([b - t for t, b in pairs])
    half = float(relation.half_width([(relation.first + relation.last) / 2])[0])
    mean = float(gaps.mean())
    ctx.read(
        "loop_difference", mean, "us", len(gaps), Interval(mean - half, mean + half), Source.CLOCK,
        note=f"jumper against two-way time transfer; worst {float(np.abs(gaps).max()):.1f} us",
    )  # fmt: skip


STAGE = Stage(
    kind="button_to_led",
    title="Button to LED",
    instruction="The hand unit's switch lights the craft's LED over the air; press only when asked.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity", "transceiver", "radio_link", "controls")),
    perform=perform,
    parameters=(
        *PARAMETERS,
        Parameter("method", "auto", "who presses", choices=("auto", "self", "person")),
        Parameter("presses", 40, "presses; each gives two changes", "", 5, 2000),
    ),
    measures=(
        Measure("missed", "%", "switch changes that never reached the LED", Limit(max=1.0), "lower", 1, ""),
        # below 20 ms nobody feels a delay on a control (common practice, no source)
        Measure("latency_p50", "us", "switch edge to LED pin, median", Limit(max=10_000.0), "lower", 20, ""),
        Measure("latency_p95", "us", "the same, 95th percentile", Limit(max=20_000.0), "lower", 50, ""),
        Measure("sense_p50", "us", "edge to decision", None, "lower", 10, ""),
        Measure("queue_p50", "us", "decision to CE", None, "lower", 10, ""),
        Measure("air_p50", "us", "CE to the craft's interrupt", None, "lower", 10, ""),
        Measure("decode_p50", "us", "interrupt to LED pin", None, "lower", 10, ""),
        Measure("clock_uncertainty", "us", "of relating the clocks", Limit(max=10.0), "lower", 5, ""),
        Measure("loop_difference", "us", "jumper against time transfer", Limit(-10.0, 10.0), "same", 5, ""),
    ),
    expected_s=lambda p: 2.5 + 0.08 * float(p["presses"]),
)
