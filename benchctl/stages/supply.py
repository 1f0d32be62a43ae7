"""Supply: the processor's rail and the transceiver's, ripple, margins, and how the rail droops under a load step."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.droop import Droop, Estimate, fit_droop
from benchctl.analysis.droop_steps import Steps
from benchctl.analysis.supply_rules import bandgap_from_meter, vcc_from_bandgap
from benchctl.analysis.timing import RATES, SETTLE_US, RadioFormat
from benchctl.errors import BoardError, OperatorAbsent, UsageError
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, Parameter, Stage
from benchctl.stages.metering import parse_number
from benchctl.stages.outputs import servo_moves
from benchctl.stages.supply_bursts import Burst, listening_codes, listening_lost, settings_lost, single_bursts, slopes
from benchctl.stages.supply_margins import say_margins
from benchctl.stages.supply_measures import SUPPLY_MEASURES
from benchctl.stages.supply_path import measure_path
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.units import quantity
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, AdcSource, Function, Load

#: band-gap 1.0 to 1.2 V (ATmega328P data sheet, table 32-7); a calibrated one is good to the meter and 2 mV of drift
_UNCALIBRATED = 0.1 / 1.1
_CALIBRATED = 0.006
_NOMINAL_MV = 1100  # the setting of a board that nobody has calibrated
#: 125 kHz converter clock for steady values, 1 MHz for waveforms
_SLOW, _FAST = 7, 4
_CONVERSION_US = 104.0  # 13 cycles at the slow clock
#: at 1 MHz: the conversion of 13 cycles, during which the band-gap's reference moves; the hold at cycle 1.5
APERTURE_US = 13.0
SAMPLE_POINT_US = 1.5
#: the probe's loop that waits for a tick starts the conversion 2.4 to 3.2 µs after it
START_LATE_US = 2.8
#: drawn while settling to send (nRF24L01+ Product Specification v1.0, supply currents)
_SETTLING_A = 8.0e-3
_MOST_COUNTS = 1023  # the converter has 10 bits
_WAVEFORM = {"at": "us", "rail": "V"}
#: of a burst: to the end of settling, and after it
_SETTLING_POINTS, _SENDING_POINTS = 30, 50


@dataclass(frozen=True, slots=True)
class Stretch:
    """Points of a waveform. The first may not be before the chip is through with switching the load."""

    first_us: int
    step_us: int
    points: int

    @property
    def last_us(self) -> int:
        return self.first_us + self.step_us * (self.points - 1)

    def parts(self, most: int | None) -> list[Stretch]:
        """The same points in stretches of at most so many."""
        size = most or self.points
        starts = range(0, self.points, size)
        return [Stretch(self.first_us + self.step_us * n, self.step_us, min(size, self.points - n)) for n in starts]


@dataclass(frozen=True, slots=True)
class Step:
    """A load step to look at.

    amps: what the load draws, for ohms and µF. settle_ms: rest before each.
    """

    load: Load
    name: str
    amps: float
    stretches: tuple[Stretch, ...]
    repeats: int
    settle_ms: int
    until_us: float


def perform(ctx: Context) -> None:
    for role in (Role.HAND, Role.CRAFT):
        with ctx.tolerating(ctx.board(role)):
            _look_at(ctx, ctx.board(role))


def _look_at(ctx: Context, board: Board) -> None:
    reference = _calibrate(ctx, board)
    vcc = _processor_rail(ctx, board, reference)
    rail = _radio_rail(ctx, board, vcc)
    lowest = [vcc.lowest]

    def look(steps: Sequence[Step]) -> None:
        for step in steps:
            with ctx.tolerating(board):
                seen = _droop(ctx, board, step, vcc, rail)
                if step.load is not Load.TRANSMIT or not rail:
                    lowest.append(seen)

    steps = _steps(ctx, board)
    look([s for s in steps if s.load is not Load.SERVO])
    with ctx.tolerating(board):
        # after what it may upset, but before a servo has been sent anywhere, which draws until it is there
        measure_path(ctx, board, vcc.bandgap)
    look([s for s in steps if s.load is Load.SERVO])
    say_margins(ctx, board, float(np.nanmin(lowest)), vcc.spread)


@dataclass(frozen=True, slots=True)
class _Rail:
    """The processor's rail: mean, lowest single reading, relative uncertainty of the reference, band-gap volts."""

    mean: float
    lowest: float
    spread: float
    bandgap: float


def reference_of(board: Board) -> float:
    """Relative uncertainty of what the board says of its own supply."""
    return _UNCALIBRATED if int(board.read_setting("bandgap_mv")) == _NOMINAL_MV else _CALIBRATED


def _calibrate(ctx: Context, board: Board) -> float:
    """The band-gap against a meter, where somebody can read one; returns its relative uncertainty."""
    if not ctx.parameters["calibrate"] or ctx.bench.operator.by == "none":
        ctx.note(f"{board.role}: band-gap not calibrated; volts are good to about 9 %", "warning")
        return _UNCALIBRATED
    text = f"{board.role} board: volts from the processor's supply pin to ground"
    try:
        answer = ctx.ask(ev.PromptKind.NUMBER, text, "meter", role=board.role, detail="vcc", unit="V", timeout_s=300.0)
    except OperatorAbsent as e:
        ctx.note(f"{e}; band-gap not calibrated", "warning")
        return _UNCALIBRATED
    volts = parse_number(answer)
    reading = _convert(board, AdcSource.BAND_GAP, _SLOW, 512)
    if volts is None or reading.mean == 0:
        ctx.note(f"{answer!r} is no voltage; band-gap not calibrated", "warning")
        return _UNCALIBRATED
    bandgap = bandgap_from_meter(reading.mean, volts)
    if not 0.95 <= bandgap <= 1.25:
        ctx.note(f"{board.role}: {volts:g} V would make the band-gap {bandgap:.3f} V, outside 1.0 to 1.2 V", "warning")
        return _UNCALIBRATED
    board.write_setting("bandgap_mv", round(1000 * bandgap))
    board.save_settings()
    return _CALIBRATED


@dataclass(frozen=True, slots=True)
class _Converted:
    mean: float
    sd: float
    low: int
    high: int
    n: int


def _convert(board: Board, source: AdcSource, prescaler: int, count: int, gap_us: int = 0) -> _Converted:
    board.measuring(1e-3 + count * (gap_us + _CONVERSION_US) * 1e-6)
    a = board.ask(msg.Adc(source=source, prescaler=prescaler, count=count, gap_us=gap_us), timeout=1.0)
    mean = a.sum / max(a.count, 1)
    least = 1 if source is AdcSource.BAND_GAP else 0  # no supply makes the band-gap read as nothing
    if not (0 < a.count <= count and least <= a.low <= mean <= a.high <= _MOST_COUNTS):
        raise BoardError(
            f"the {board.role} board's converter answers what cannot be: {a.count} of {count} readings from {a.low} to "
            f"{a.high} with a mean of {quantity(mean, '')}"
        )
    # squares are of the distances from the first reading, whose own place in the spread is not known
    variance = max(0.0, a.square / max(a.count, 1) - ((a.high - a.low) / 2) ** 2) if a.count else 0.0
    return _Converted(mean, math.sqrt(variance), a.low, a.high, a.count)


def _processor_rail(ctx: Context, board: Board, reference: float) -> _Rail:
    bandgap = int(board.read_setting("bandgap_mv")) / 1000
    got = _convert(board, AdcSource.BAND_GAP, _SLOW, 1000, 200)
    vcc = vcc_from_bandgap(got.mean, bandgap)
    lowest, highest = vcc_from_bandgap(got.high, bandgap), vcc_from_bandgap(got.low, bandgap)
    # one count of the converter at this reading, in volts
    count = vcc / got.mean
    spread = math.hypot(reference * vcc, count / math.sqrt(12))
    ctx.read(
        f"{board.role}.vcc",
        vcc,
        "V",
        got.n,
        Interval(vcc - spread, vcc + spread),
        Source.ADC,
        note="by the band-gap, calibrated" if reference == _CALIBRATED else "by the band-gap, not calibrated",
    )
    ripple = max(0.0, (highest - lowest) - count)
    ctx.read(
        f"{board.role}.ripple",
        1000 * ripple,
        "mV",
        got.n,
        Interval(0.0, 1000 * (highest - lowest)),
        Source.ADC,
        note="peak to peak at rest, less one converter step",
    )
    return _Rail(vcc, lowest, reference, bandgap)


def _radio_rail(ctx: Context, board: Board, vcc: _Rail) -> float:
    """Volts per count at the sense pin wired to the transceiver's rail; 0 where none is wired."""
    if board.wiring.pins.get(Function.SENSE_RAIL, NO_PIN) == NO_PIN:
        ctx.note(f"{board.role}: no spare analogue pin on the transceiver's rail; it is only seen by its effects")
        return 0.0
    divider = int(board.read_setting("rail_divider")) / 1000
    got = _convert(board, AdcSource.SENSE_RAIL, _SLOW, 500)
    per_count = vcc.mean * divider / 1024
    volts = got.mean * per_count
    spread = math.hypot(vcc.spread * volts, per_count * 2.2)
    ctx.read(
        f"{board.role}.radio_volts",
        volts,
        "V",
        got.n,
        Interval(max(0.0, volts - spread), volts + spread),
        Source.ADC,
        note="by the sense pin",
    )
    # over the air it listens all the time, and has been set up anew before anybody can ask
    code = None if board.via else listening_codes(ctx, board, _SLOW)
    if code is not None:
        lower = code * per_count
        spread = math.hypot(vcc.spread * lower, per_count * 2.2)
        about = Interval(max(0.0, lower - spread), lower + spread)
        ctx.read(f"{board.role}.radio_volts_listening", lower, "V", 64, about, Source.ADC,
                 note="while the transceiver listens and draws 13 mA")  # fmt: skip
        listening_lost(ctx, board, _SLOW)
    return per_count


def _steps(ctx: Context, board: Board) -> list[Step]:
    known, until = board.wiring.loads_ma, _burst_us(board)
    repeats = ctx.count("repeats")
    settling = Stretch(14, 4, _SETTLING_POINTS)
    first = settling.last_us + 8
    sending = Stretch(first, max(10, 2 * math.ceil((1.4 * until - first) / _SENDING_POINTS / 2)), _SENDING_POINTS)
    transmit, led = known.get("transmit", 11.3) / 1000, known.get("led", 9.0) / 1000
    # the smaller load first: one that the board does not live through ends the look at it
    # fine where the rail bends, coarse to where it rests; often, for the band-gap's steps are coarse
    steps = [Step(Load.LED, "led", led, _LED_STRETCHES, 2 * repeats, 4, math.inf)] if not board.servo_astray else []
    steps.append(Step(Load.TRANSMIT, "transmit", transmit, (settling, sending), repeats, 4, until))
    if servo_moves(board):
        servo = known.get("servo", 500.0) / 1000
        steps.append(Step(Load.SERVO, "servo", servo, (Stretch(50, 250, 80),), max(1, repeats // 4), 60, math.inf))
    return steps


_LED_STRETCHES = (Stretch(20, 5, 40), Stretch(230, 20, 20), Stretch(660, 60, 23))


def _burst_us(board: Board) -> float:
    """How long the transmit load draws: settling and 32 bytes on the air at the board's rate."""
    crc = max(1, int(board.read_setting("radio_crc")))  # with acknowledgement on, one byte is forced
    rate = RATES[int(board.read_setting("radio_rate"))]
    return SETTLE_US + RadioFormat(rate, payload=32, crc=crc).air_us


def _rises(step: Step) -> tuple[tuple[float, float], ...]:
    """A transmission draws less while it settles than while it sends."""
    if step.load is not Load.TRANSMIT:
        return ((0.0, 1.0),)
    settling = min(1.0, _SETTLING_A / step.amps)
    return ((0.0, settling), (SETTLE_US, 1.0 - settling))


def _droop(ctx: Context, board: Board, step: Step, vcc: _Rail, per_count: float) -> float:
    """One equivalent-time waveform, fitted; returns the lowest volts of the processor's rail in it."""
    sensed = step.load is Load.TRANSMIT and per_count > 0
    ctx.progress(0, 0, f"{board.role}: rail under {step.name}")
    times, volts, baseline = _waveform(ctx, board, step, vcc, per_count if sensed else 0.0)
    if step.load is Load.TRANSMIT and not board.via:
        lost = settings_lost(board)
        ctx.read(f"{board.role}.settings_lost", int(lost), "", 1, note="1: forgot its settings sending")
        if lost and sensed:
            times, volts = single_bursts(ctx, board, per_count, step.settle_ms, _FAST)
            burst = slopes(times, volts, baseline, step.amps, step.until_us)
            _say_burst(ctx, f"{board.role}.transmit", burst, step.amps, len(times), per_count)
            # it stops drawing when it forgets its settings: no waveform of a known load is left to fit
            return float(volts.min()) if len(volts) else math.nan
    if len(times) < 8:
        ctx.doubt(f"the {board.role} board's waveform under {step.name} did not come")
        return math.nan
    name = f"{board.role}.{step.name}"
    ctx.samples(
        f"{board.role}_{step.name}",
        "waveform",
        _WAVEFORM,
        np.column_stack((times, volts)),
        _picture(ctx, board, step, baseline),
    )
    lsb = per_count if sensed else vcc.mean**2 / (1024 * vcc.bandgap)
    if sensed:
        _say_burst(ctx, name, slopes(times, volts, baseline, step.amps, step.until_us), step.amps, len(times), lsb)
    least = 3 * lsb / math.sqrt(min(step.repeats, 4))
    if float(baseline - volts.min()) < least:
        seen = max(0.0, baseline - float(volts.mean()))
        ctx.read(f"{name}_droop", seen, "V", len(times), Interval(0.0, max(seen, least)), Source.ADC,
                 note="below what the converter can resolve")  # fmt: skip
        return float(volts.min())
    # the rest before the load, measured with every point, is what tells the instant part from the rest
    before = np.linspace(-200.0, -20.0, 10)
    times, volts = np.concatenate((before, times)), np.concatenate((np.full(10, baseline), volts))
    try:
        fit = fit_droop(
            times, volts, step.amps, until=step.until_us, aperture=0.0 if sensed else APERTURE_US, lsb=lsb,
            rises=_rises(step), steps=None if sensed else _band_gap_steps(vcc, step, len(before), len(times)),
        )  # fmt: skip
    except UsageError as e:
        ctx.doubt(f"{board.role}: the waveform under {step.name} cannot be fitted: {e}")
        return float(volts.min())
    _say_fit(ctx, name, fit, "sense pin, sample and hold" if sensed else "band-gap, mean over 13 µs", lsb)
    return float(volts.min())


def _band_gap_steps(vcc: _Rail, step: Step, before: int, count: int) -> Steps:
    """The converter's scale on the processor's own rail; the rest is looked at once a stretch, not once a sample."""
    counts = np.full(count, float(step.repeats))
    counts[:before] = step.repeats * len(step.stretches) / before
    return Steps(lambda volts: vcc.bandgap * 1024 / volts, counts)


def _say_burst(ctx: Context, name: str, burst: Burst, amps: float, n: int, lsb: float) -> None:
    """What the slopes of the transceiver's rail say, where it dips enough to have any.

    lsb: volts of a converter step, by which each sample may be off.
    """
    ctx.read(f"{name}_load", 1000 * amps, "mA", 1, note="as declared or by the data sheet, for ohms and µF")
    about = Interval(max(0.0, burst.dip - lsb), burst.dip + lsb)
    ctx.read(f"{name}_dip", burst.dip, "V", n, about, Source.ADC, note="rest less the lowest point of a burst")
    if math.isfinite(burst.bulk):
        note = "by the slopes of the dip, from the load current assumed"
        # a slope is read between 20 and 80 % of the dip
        part = min(1.0, 2 * math.sqrt(2) * lsb / (0.6 * burst.dip))
        for what, value, unit, text in (
            ("bulk", burst.bulk, "uF", note),
            ("delivered", burst.delivered, "mA", "by the regulator in a burst"),
        ):
            about = Interval(value * (1 - part), value * (1 + part))
            ctx.read(f"{name}_{what}", value, unit, n, about, Source.ADC, note=text)


_SHAPES = {
    "exponential": "as a source behind a resistance with a capacitor",
    "ramp": "as a regulator at its limit",
    "recovering": "as a regulator that answers late",
    "unresolved": "no course that can be fits: the lowest sample",
}


def _say_fit(ctx: Context, name: str, fit: Droop, how: str, lsb: float) -> None:
    n = fit.samples
    for what, estimate, note in (
        ("droop", fit.amplitude, f"{how}; {_SHAPES[fit.shape]}"),
        ("lowest", fit.lowest, ""),
    ):
        as_sampled = Interval(estimate.value - lsb, estimate.value + lsb)
        ctx.read(f"{name}_{what}", estimate.value, "V", n, estimate.interval or as_sampled, Source.ADC, note=note)
    extra: tuple[tuple[str, Estimate, str, str], ...] = (
        ("tau", fit.tau, "us", ""),
        ("source", fit.source, "ohm", "from the load current assumed"),
        ("capacity", fit.capacity, "uF", "upper bound: the regulator still delivers" if fit.shape == "ramp" else ""),
        ("esr", fit.esr, "ohm", ""),
    )
    for what, estimate, unit, note in extra:
        if math.isfinite(estimate.value):
            if estimate.interval is None:
                note = "; ".join(filter(None, (note, "the samples do not bound it")))
            ctx.read(f"{name}_{what}", estimate.value, unit, n, estimate.interval, Source.ADC, note=note)


_LOADS = {Load.LED: "LED", Load.SERVO: "servo"}


def _picture(ctx: Context, board: Board, step: Step, rest: float = math.nan) -> ev.Picture:
    """The least that the rail may fall to is told once its rest is known."""
    allowed = ctx.limit_of(f"{board.role}.{step.name}_droop")
    least = Limit(min=rest - allowed.max) if allowed and allowed.max is not None and math.isfinite(rest) else None
    title = (
        "transceiver's supply while it sends"
        if step.load is Load.TRANSMIT
        else f"supply when the {_LOADS[step.load]} is switched on"
    )
    return ev.Picture(title, board.role, {"rail": least} if least else {})


def _waveform(
    ctx: Context, board: Board, step: Step, vcc: _Rail, per_count: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], float]:
    """(µs after the load, volts, volts before): sums over the repeats turned into means."""
    seen: list[tuple[float, float]] = []

    def look(at_us: float, code: float) -> None:
        volts = code * per_count if per_count else vcc_from_bandgap(code, vcc.bandgap)
        seen.append((at_us + START_LATE_US, volts))
        ctx.glimpse(f"{board.role}_{step.name}", "waveform", _WAVEFORM, seen, _picture(ctx, board, step))

    stretches = [part for whole in step.stretches for part in whole.parts(board.rows_kept)]
    parts = [_codes(board, step, stretch, bool(per_count), look) for stretch in stretches]
    times, code, before = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    start = float(np.mean(before)) if len(before) else math.nan
    times += START_LATE_US
    if per_count:
        return times + SAMPLE_POINT_US, code * per_count, start * per_count
    with np.errstate(divide="ignore"):
        volts = vcc.bandgap * 1024 / code
    return times, volts, vcc_from_bandgap(start, vcc.bandgap)


_Codes = npt.NDArray[np.float64]


def _codes(
    board: Board, step: Step, stretch: Stretch, sensed: bool, look: Callable[[float, float], None]
) -> tuple[_Codes, _Codes, _Codes]:
    """(nominal µs, mean codes under load, mean codes before), the last as often as it was told.

    look: told each point, nominal µs and mean code, as it comes.
    """
    board.events(msg.DroopRows)
    span_s = stretch.points * step.repeats * (step.settle_ms * 1e-3 + stretch.last_us * 1e-6)
    board.measuring(1.2 * span_s)
    board.ask(
        msg.Droop(
            load=step.load,
            source=AdcSource.SENSE_RAIL if sensed else AdcSource.BAND_GAP,
            first_us=stretch.first_us,
            step_us=stretch.step_us,
            points=stretch.points,
            repeats=step.repeats,
            settle_ms=step.settle_ms,
            prescaler=_FAST,
        )
    )
    index: list[int] = []
    codes: list[float] = []
    before: list[float] = []

    def take() -> None:
        for event in board.events(msg.DroopRows):
            before.append(event.baseline / step.repeats)
            for point, row in enumerate(event.rows, event.first):
                index.append(point)
                codes.append(row.sum / step.repeats)
                look(stretch.first_us + stretch.step_us * index[-1], codes[-1])

    board.wait_done(msg.Droop, 2.0 + 3.0 * span_s, take)
    take()
    everything = (*codes, *before)
    if everything and not (0 if sensed else 1) <= min(everything) <= max(everything) <= _MOST_COUNTS:
        raise BoardError(
            f"the {board.role} board's waveform under {step.name} has readings that the converter cannot give: from "
            f"{quantity(min(everything), '')} to {quantity(max(everything), '')}"
        )
    return stretch.first_us + stretch.step_us * np.array(index, np.float64), np.array(codes), np.array(before)


STAGE = Stage(
    kind="supply",
    title="Supply",
    instruction="The rails at rest and under load steps; a meter on the processor's supply makes the volts true.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity",)),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("calibrate", True, "ask for a meter reading to calibrate the band-gap"),
        Parameter("repeats", 4, "load steps per point of a waveform", "", 1, 32),
    ),
    measures=SUPPLY_MEASURES,
    expected_s=lambda p: 8.0 + 1.6 * float(p["repeats"]),
    swings=True,
)  # fmt: skip
