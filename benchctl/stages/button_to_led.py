"""Button to LED: latency from the switch edge on the hand unit to the LED pin on the craft, in its parts."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis import latency as lat
from benchctl.analysis.clocks import ClockMap
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.timing import AVR_16MHZ, IRQ_US, SETTLE_US, RadioFormat, one_way_floor_us
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.control_path import PARAMETERS, ControlPath, Parts, split
from benchctl.stages.host_clock import Rate
from benchctl.stages.link_run import RATES
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import Function, Point

_PARTS = ("sense", "queue", "air", "decode")
#: between stimuli: an odd time, so that they do not keep step with the 20 ms send interval
_DOWN_US, _UP_US = 31_700, 41_900
#: changes closer than this are one contact bouncing; nobody presses and lets go faster (common practice, no source)
_BOUNCE_US = 30_000
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
    parts = split(path.hand, path.craft, relation, start=start, to_supply=_to_supply(ctx))
    _judge(ctx, parts.times(path.rate().factor), relation, path.rate(), path.late_us)
    _loop_back(ctx, path, relation)


def _method(ctx: Context) -> str:
    """self-stimulated where the wiring is declared safe for it, else a person."""
    asked = ctx.word("method")
    safe = bool(ctx.board(Role.HAND).wiring.settings.get("self_stimulus", 0))
    if asked == "self" and not safe:
        ctx.note("the hand unit's wiring is not declared safe for pulling its own switch line: a person presses")
    return "self" if safe and asked in ("auto", "self") else "person"


def _to_supply(ctx: Context) -> bool:
    """Whether switch 1 is one that closes to the supply."""
    return bool(ctx.board(Role.HAND).wiring.settings.get("switch_to_supply", 0) & 1)


def _stimulate(ctx: Context, path: ControlPath) -> None:
    board, left = ctx.board(Role.HAND), ctx.count("presses")
    while left > 0:
        some = min(left, 20)
        board.ask(msg.SelfStimulus(function=Function.SWITCH1, presses=some, down_us=_DOWN_US, up_us=_UP_US))
        board.wait_done(msg.SelfStimulus, 2.0 + 2 * some * (_DOWN_US + _UP_US) * 1e-6)
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
        parts = split(path.hand, path.craft, relation, start=start, to_supply=_to_supply(ctx))
        ctx.glimpse("latency_parts", "latency", _COLUMNS, _table(parts).tolist(), _picture(ctx))


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
        before, seen = seen, _changes(path.hand.times(Point.DECIDED)) // 2
        if seen > before:
            _glimpse(ctx, path, Point.EDGE)
        ctx.progress(min(seen, presses), presses, f"{seen} of {presses} presses")
        if seen >= presses:
            break
    ctx.done(prompt)
    ctx.wait(0.5)


def _picture(ctx: Context) -> ev.Picture:
    return ctx.picture("from switch to LED, each change", total="latency_p95")


def _changes(decided: npt.NDArray[np.float64]) -> int:
    """Presses and releases among the changes that the hand unit acted on, in µs: it may act on bounces too."""
    return int(np.count_nonzero(np.diff(decided) > _BOUNCE_US)) + 1 if len(decided) else 0


def _judge(ctx: Context, parts: Parts, relation: ClockMap, rate: Rate, late_us: float) -> None:
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
    ctx.samples("latency_parts", "latency", _COLUMNS, _table(parts), _picture(ctx))
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
        note=f"of relating the two boards' clocks, in the middle of the stage{_why_wide(late_us)}", limited=not late_us,
    )  # fmt: skip


def _why_wide(late_us: float) -> str:
    return f"; no IRQ is wired: the transceiver's events are stamped up to {late_us:.0f} µs late" if late_us else ""


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
    if own or not hand.wiring.wired("craft.led", "hand.loop_back"):
        return
    lit = path.craft.values(Point.APPLIED) <= 1
    applied, levels = path.craft.times(Point.APPLIED)[lit], path.craft.values(Point.APPLIED)[lit]
    # the craft applies on every packet; only changes show on the line
    changed = np.concatenate(([False], np.diff(levels) != 0)) if len(levels) else np.zeros(0, bool)
    there = relation.to_a(applied[changed])
    # the nearest one: while a contact bounces the LED may change several times in that time
    nearest = [(t, float(back[np.argmin(np.abs(back - t))])) for t in there if len(back)]
    pairs = [(t, b) for t, b in nearest if abs(b - t) < 2000.0]
    if not pairs:
        ctx.note("the jumper from the craft's LED to the hand unit shows no edges: not plugged in?", "warning")
        return
    gaps = np.array([b - t for t, b in pairs])
    half = float(relation.half_width([(relation.first + relation.last) / 2])[0])
    mean = float(gaps.mean())
    ctx.read(
        "loop_difference", mean, "us", len(gaps), Interval(mean - half, mean + half), Source.CLOCK,
        note=f"jumper against two-way time transfer; worst {float(np.abs(gaps).max()):.1f} µs{_why_wide(path.late_us)}",
        limited=not path.late_us,
    )  # fmt: skip


STAGE = Stage(
    kind="button_to_led",
    title="Button to LED",
    instruction="The hand unit's switch lights the craft's LED over the air; press only when asked.",
    needs=Needs(
        roles=(Role.HAND, Role.CRAFT),
        passed=("identity", "transceiver", "radio_link", "controls"),
        wired=((Role.HAND, "switch1"), (Role.CRAFT, "led")),
    ),
    perform=perform,
    parameters=(
        *PARAMETERS,
        Parameter("method", "auto", "who presses", choices=("auto", "self", "person")),
        Parameter("presses", 40, "presses; each gives two changes", "", 5, 2000),
    ),
    measures=(
        ReadingSpec(
            "missed", "%", "switch changes that never reached the LED", Limit(max=1.0), "lower", 1, "",
            about="Share of presses and releases without effect; a press that is lost is a command that is lost. "
                  "Usual: 0 %.",
        ),
        # below 20 ms nobody feels a delay on a control (common practice, no source)
        ReadingSpec(
            "latency_p50", "us", "switch to LED, median", Limit(max=10_000.0), "lower", 20, "",
            about="Time from the switch's edge to the LED's on the other board: the control path as felt. Usual: 5 "
                  "to 20 ms; below 20 ms nobody feels a delay (common practice, no source).",
        ),
        ReadingSpec(
            "latency_p95", "us", "switch to LED, 95th percentile", Limit(max=20_000.0), "lower", 50, "",
            about="The same of the slowest in twenty. Usual: below 20 ms (common practice, no source).",
        ),
        ReadingSpec(
            "sense_p50", "us", "of it: noticing the edge", None, "lower", 10, "",
            about="From the switch's edge to the program's decision; debouncing and polling lie here.",
        ),
        ReadingSpec(
            "queue_p50", "us", "of it: waiting to be sent", None, "lower", 10, "",
            about="From the decision to the start of sending; the send interval lies here.",
        ),
        ReadingSpec(
            "air_p50", "us", "of it: on the air", None, "lower", 10, "",
            about="From the start of sending to reception on the craft; packet length and data rate set it "
                  "(nRF24L01+ Product Specification 1.0).",
        ),
        ReadingSpec(
            "decode_p50", "us", "of it: until the LED is switched", None, "lower", 10, "",
            about="From reception to the LED's pin; the craft's program lies here.",
        ),
        ReadingSpec(
            "clock_uncertainty", "us", "uncertainty of relating the clocks", Limit(max=10.0), "lower", 5, "",
            about="How well the two boards' clocks are related; no latency is known better. Usual: below 5 µs.",
        ),
        ReadingSpec(
            "loop_difference", "us", "jumper against clock relation", Limit(-10.0, 10.0), "same", 5, "",
            about="Latency by a wire back to one clock less that by two clocks; it checks the whole method. Usual: "
                  "below 5 µs.",
        ),
    ),
    expected_s=lambda p: 2.5 + 0.08 * float(p["presses"]),
)  # fmt: skip
