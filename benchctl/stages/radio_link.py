"""Radio link: loss, bursts, retransmissions, latency and jitter in both directions, decided sequentially."""

from __future__ import annotations

import math

import numpy as np

from benchctl.analysis import latency as lat
from benchctl.analysis.bursts import gaps_and_bursts, period_lengths
from benchctl.analysis.clocks import TICK_US, ClockMap
from benchctl.analysis.loss import clopper_pearson, loss_drift, retransmissions
from benchctl.analysis.sequential import Decision, SequentialTest
from benchctl.analysis.sweep import mean_interval
from benchctl.analysis.tails import Floats, student_quantile
from benchctl.analysis.timing import AVR_16MHZ, acknowledged_us, one_way_floor_us
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.host_clock import HostClock, Rate
from benchctl.stages.link_closer import compare_settings, look_closer
from benchctl.stages.link_pings import CHECKED_US, check_directions, judge_pings, ping, read_quantiles
from benchctl.stages.link_run import POWERS, RATES, Clocks, LinkRun, Packets, Radio
from benchctl.stages.supply_bursts import settings_lost
from benchctl.terms import Interval, Limit, Role, Source, Verdict
from benchctl.wire.catalogue import LinkMode

_TAKEN = {"at": "s", "until acknowledged": "us"}
_DIRECTIONS = ((Role.HAND, Role.CRAFT), (Role.CRAFT, Role.HAND))
_VERDICTS = {Decision.GOOD: Verdict.PASS, Decision.BAD: Verdict.FAIL}


def perform(ctx: Context) -> None:
    radio = set_up(ctx)
    clocks, host = Clocks(), HostClock(ctx, ctx.board(Role.HAND))
    host.few()
    # pings before and after: the clocks are followed over all that lies in between
    stretches = [ping(ctx, radio, clocks, 1, ctx.count("pings") // 2)]
    plain: dict[Role, Packets] = {}
    for number, (sender, receiver) in enumerate(_DIRECTIONS):
        name = f"{sender}_to_{receiver}"
        plain[sender] = _loss(ctx, radio, clocks, sender, receiver, 2 + 2 * number)
        acked = _acknowledged(ctx, radio, clocks, sender, receiver, 3 + 2 * number)
        _keep(ctx, name, plain[sender], acked)
    stretches.append(ping(ctx, radio, clocks, 6, ctx.count("pings") // 2))
    host.few()
    rate = host.rate()
    relation = judge_pings(ctx, radio, stretches, rate)
    for sender, receiver in _DIRECTIONS:
        _judge_latency(ctx, f"{sender}_to_{receiver}", radio, sender, plain[sender], relation, rate)
    if relation is not None:
        check_directions(ctx, radio, relation, plain[Role.HAND], plain[Role.CRAFT])
    if any(r.verdict is Verdict.FAIL for r in ctx.readings.values()):
        look_closer(ctx, radio, clocks)


def set_up(ctx: Context) -> Radio:
    """Write the stage's radio settings to both boards and have them in force."""
    radio = Radio(ctx.word("rate"), ctx.count("channel"), ctx.word("power"), ctx.count("payload"))
    for role in (Role.HAND, Role.CRAFT):
        board = ctx.board(role)
        if radio.channel >= 0:
            board.write_setting("radio_channel", radio.channel)
        board.write_setting("radio_rate", list(RATES).index(radio.rate))
        board.write_setting("radio_power", POWERS[radio.power])
    # settings can be compared whatever the transceivers make of them
    compare_settings(ctx)
    for role in (Role.HAND, Role.CRAFT):
        answer = ctx.board(role).ask("radio_apply", timeout=1.0)
        if answer.wrong:
            ctx.fail(f"the {role} board's transceiver does not hold its settings ({answer.wrong} registers differ)")
    return radio


# ---------------------------------------------------------------------- one direction


def _loss(ctx: Context, radio: Radio, clocks: Clocks, sender: Role, receiver: Role, test: int) -> Packets:
    """Single packets without acknowledgement until the sequential test decides or the cap is reached."""
    name, cap, interval = f"{sender}_to_{receiver}", ctx.count("count"), ctx.count("interval_us")
    good, bad = ctx.number("good_loss") / 100, ctx.number("bad_loss") / 100
    least = ctx.count("least")
    run = LinkRun(ctx, sender, receiver, clocks, test)
    ctx.cleanup.callback(run.stop_quietly)

    def decided() -> bool:
        flags = run.loss_so_far()
        if len(flags):
            lost = int(flags.sum())
            ctx.read(
                f"{name}.loss",
                100 * lost / len(flags),
                "%",
                len(flags),
                clopper_pearson(lost, len(flags)).scaled(100),
                Source.COUNTING,
                final=False,
            )
        trial = SequentialTest(good, bad, cap=cap)
        return len(flags) >= least and trial.add_many(flags) in _VERDICTS

    run.start(LinkMode.SEND, cap, interval, radio.payload)
    run.run(cap * interval * 1e-6, decided, f"{name}: single packets")
    run.stop()
    packets = run.packets()
    _judge_loss(ctx, name, packets, good, bad, cap)
    if len(packets) and packets.lost.mean() > 0.2:
        board = ctx.board(receiver)
        forgot = settings_lost(board) or bool(board.events("radio_lost"))
        note = "1: found at power-on values after the packets"
        ctx.read(f"{receiver}.forgot_settings", int(forgot), "", 1, note=note)
    return packets


def _judge_loss(ctx: Context, name: str, packets: Packets, good: float, bad: float, cap: int) -> None:
    n, lost = len(packets), packets.lost
    if n == 0:
        ctx.doubt(f"{name}: the sender logged no packets")
        ctx.read(f"{name}.loss", math.nan, "%", 0)
        return
    trial = SequentialTest(good, bad, cap=cap)
    decision = trial.add_many(lost)
    count = int(lost.sum())
    note = f"decided after {trial.sent} packets" if decision in _VERDICTS else "borderline: not decided at the cap"
    ctx.read(
        f"{name}.loss",
        100 * count / n,
        "%",
        n,
        clopper_pearson(count, n).scaled(100),
        Source.COUNTING,
        note=note,
        verdict=_VERDICTS.get(decision, Verdict.UNDECIDED),
    )
    periods = period_lengths(lost)
    ctx.read(f"{name}.longest_burst", int(periods.max()) if len(periods) else 0, "packets", n, source=Source.COUNTING)
    shape = gaps_and_bursts(lost)
    ctx.read(
        f"{name}.burst_density",
        100 * shape.burst_density,
        "%",
        n,
        clopper_pearson(shape.burst_lost, shape.burst_packets).scaled(100) if shape.burst_packets else None,
        Source.COUNTING,
        note="share lost inside bursts, RFC 3611 with Gmin 16",
    )
    drift = loss_drift(packets.queued * 1e-6, lost)
    if drift.interval is not None:
        ctx.note(f"{name}: loss drifts by {100 * drift.slope:.3g} % a second (chance {drift.p_value:.2g})")


def _acknowledged(ctx: Context, radio: Radio, clocks: Clocks, sender: Role, receiver: Role, test: int) -> Packets:
    """Packets with acknowledgement and retransmission: what the user's own traffic will see."""
    name, count, interval = f"{sender}_to_{receiver}", ctx.count("acked"), ctx.count("interval_us")
    run = LinkRun(ctx, sender, receiver, clocks, test)
    ctx.cleanup.callback(run.stop_quietly)
    run.start(LinkMode.SEND_ACK, count, interval, radio.payload)

    def enough() -> bool:
        ctx.glimpse(f"{name}_until_acknowledged", "latency", _TAKEN, run.acknowledged_so_far())
        return run.sent_so_far >= count

    run.run(count * interval * 1e-6, enough, f"{name}: acknowledged packets")
    run.stop()
    packets = run.packets()
    n = len(packets)
    if n == 0:
        ctx.doubt(f"{name}: the sender logged no acknowledged packets")
        return packets
    given_up = int((~packets.delivered).sum())
    ctx.read(
        f"{name}.given_up",
        100 * given_up / n,
        "%",
        n,
        clopper_pearson(given_up, n).scaled(100),
        Source.COUNTING,
        note="never acknowledged, after all retries",
    )
    again = retransmissions(packets.retries, packets.delivered)
    spread = mean_interval(packets.retries[packets.delivered])
    about = Interval(max(0.0, spread.low), spread.high) if spread is not None else None
    ctx.read(f"{name}.retries", again.mean, "", n, about, Source.COUNTING, note="mean per delivered packet")
    taken = (packets.done - packets.queued)[packets.delivered]
    if len(taken):
        # on one clock, whose error at these lengths is a tick
        read_quantiles(ctx, f"{name}.acknowledged", taken, acknowledged_us(radio.format, AVR_16MHZ), ("p50",), TICK_US)
    return packets


def _judge_latency(
    ctx: Context, name: str, radio: Radio, sender: Role, packets: Packets, relation: ClockMap | None, rate: Rate
) -> None:
    """One-way latency of single packets, from queued to the other board's interrupt, on the hand unit's clock."""
    floor = one_way_floor_us(radio.format, AVR_16MHZ) - AVR_16MHZ.spi_us(radio.payload)
    if relation is None or not len(packets):
        ctx.read(f"{name}.latency_p50", math.nan, "us", 0, source=Source.CLOCK, floor=floor)
        return
    if sender is Role.HAND:
        start, end = packets.queued, relation.to_a(packets.received)
    else:
        start, end = relation.to_a(packets.queued), packets.received
    delays = np.where(packets.lost, np.inf, (end - start) * rate.factor)
    table = np.column_stack((start * 1e-6, np.where(packets.lost, np.nan, delays)))
    ctx.samples(f"{name}_latency", "latency", {"at": "s", "latency": "us"}, table)
    doubt = float(relation.half_width([float(np.median(start))])[0]) + rate.half * 1e-6 * floor
    read_quantiles(ctx, f"{name}.latency", delays, floor, ("p50", "p99"), doubt)
    jitter = lat.jitter(delays)
    ctx.read(
        f"{name}.jitter", jitter.mean, "us", jitter.pairs, _jitter_interval(delays, jitter.mean), Source.SAMPLING,
        note="mean of RFC 3550 jitter",
    )  # fmt: skip


def _jitter_interval(delays: Floats, mean: float) -> Interval | None:
    """By batches: means of ten stretches of the packets scatter as the whole's does, with a tenth of the packets."""
    if len(delays) < 200 or not math.isfinite(mean):
        return None
    batches = [lat.jitter(part).mean for part in np.array_split(delays, 10)]
    half = float(student_quantile(0.975, 9) * np.std(batches, ddof=1) / math.sqrt(10))
    if not math.isfinite(half):
        # a stretch in which no two packets came through
        return None
    return Interval(max(0.0, mean - half), mean + half)


def _keep(ctx: Context, name: str, plain: Packets, acked: Packets) -> None:
    """Every packet, for the log: sent, fate, retries."""
    columns = {"at": "s", "lost": "", "retries": "", "done": "us"}
    for kind, packets in (("single", plain), ("acknowledged", acked)):
        if len(packets):
            taken = packets.done - packets.queued
            table = np.array((packets.queued * 1e-6, packets.lost, packets.retries, taken), np.float64).T
            ctx.samples(f"{name}_{kind}", "packets", columns, table)


STAGE = Stage(
    kind="radio_link",
    title="Radio link",
    instruction="Both boards send and receive; keep them where they are, at least half a metre apart.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity", "transceiver")),
    perform=perform,
    by_air="what it would note of every packet does not fit into the board until it can be fetched",
    parameters=(
        Parameter("rate", "1M", "data rate on the air", choices=tuple(RATES)),
        Parameter("power", "0", "transmit power in dBm", "dBm", choices=tuple(POWERS)),
        Parameter("channel", -1, "RF_CH; -1 leaves the boards' own", "", -1, 125),
        Parameter("payload", 8, "bytes of each packet", "bytes", 8, 32),
        Parameter("interval_us", 2000, "from packet to packet", "us", 0, 1_000_000),
        Parameter("count", 4000, "most single packets in each direction", "packets", 20, 1_000_000),
        Parameter("least", 400, "fewest single packets in each direction", "packets", 20, 1_000_000),
        Parameter("acked", 400, "acknowledged packets in each direction", "packets", 20, 1_000_000),
        Parameter("pings", 400, "pings for round trip and clock relation", "packets", 40, 100_000),
        Parameter("good_loss", 0.5, "a link at this loss passes, but for 5 % of runs", "%", 0.001, 99.0),
        Parameter("bad_loss", 2.0, "a link at this loss fails, but for 5 % of runs", "%", 0.002, 99.9),
    ),
    measures=(
        Measure("settings_differ", "", "radio settings that differ between the boards", Limit(max=0), "lower", 0.5, ""),
        Measure("forgot_settings", "", "1: the receiver lost its settings meanwhile", Limit(max=0), "lower", 0.5, ""),
        Measure("heard", "%", "looks that saw the sender above -64 dBm", None, "same", 20, ""),
        Measure("echo_loss_weak", "%", "pings without echo at the lowest power", None, "lower", 5, ""),
        Measure("loss", "%", "single packets lost", Limit(max=2.0), "lower", 0.5, ""),
        Measure("longest_burst", "packets", "most packets lost in a row", None, "lower", 3, ""),
        Measure("burst_density", "%", "loss inside bursts", None, "lower", 30, ""),
        Measure("given_up", "%", "packets never acknowledged", Limit(max=0.5), "lower", 0.3, ""),
        Measure("retries", "", "retransmissions per packet", Limit(max=0.5), "lower", 0.05, ""),
        Measure("acknowledged_p50", "us", "queued to acknowledged, median", None, "lower", 5, "%"),
        Measure("latency_p50", "us", "queued to received, median", Limit(max=2000), "lower", 10, ""),
        Measure("latency_p99", "us", "queued to received, 99th percentile", Limit(max=4000), "lower", 20, ""),
        Measure("jitter", "us", "RFC 3550 jitter", Limit(max=500), "lower", 10, ""),
        Measure("echo_loss", "%", "pings without echo", Limit(max=5.0), "lower", 1.0, ""),
        Measure("round_trip_p50", "us", "CE to the echo's interrupt, less the turn-around", None, "lower", 10, ""),
        Measure("round_trip_p99", "us", "the same, 99th percentile", None, "lower", 20, ""),
        Measure("clock_drift", "ppm", "change of that while the stage ran", None, "same", 5, ""),
        Measure("clock_check", "us", "traffic's clocks against pings'", Limit(-CHECKED_US, CHECKED_US), "same", 5, ""),
        Measure("clock_skew", "ppm", "craft's clock against hand's", Limit(-11000, 11000), "same", 200, ""),
    ),
    expected_s=lambda p: (
        2.0
        + 1e-6 * float(p["interval_us"]) * (float(p["count"]) * 0.6 + 2 * float(p["acked"]))
        + float(p["pings"]) * 0.0025
    ),
)
