"""Radio link: loss, bursts, retransmissions, latency and jitter in both directions, decided sequentially."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from benchctl import events as ev
from benchctl.analysis import latency as lat
from benchctl.analysis.bursts import gaps_and_bursts, period_lengths
from benchctl.analysis.clocks import ClockMap
from benchctl.analysis.loss import clopper_pearson, loss_drift, retransmissions
from benchctl.analysis.sequential import Decision, SequentialTest
from benchctl.analysis.sweep import mean_interval
from benchctl.analysis.tails import Floats, student_quantile
from benchctl.analysis.timing import AVR_16MHZ, acknowledged_us, one_way_floor_us
from benchctl.errors import BoardError, PortLost
from benchctl.facts import AcknowledgementsMissing, SettingsNotHeld
from benchctl.session.board import Board
from benchctl.stages.contract import RADIO_LINES, Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.host_clock import HostClock, Rate
from benchctl.stages.link_closer import compare_settings, look_closer, others_answer
from benchctl.stages.link_pings import CHECKED_US, check_directions, judge_pings, ping, read_quantiles
from benchctl.stages.link_run import POWERS, RATES, Clocks, LinkRun, Packets, Radio
from benchctl.stages.supply_bursts import settings_lost
from benchctl.terms import Interval, Limit, Role, Source, Verdict, readable
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode

#: settings that the stage writes, in RAM only
_WRITTEN = ("radio_channel", "radio_rate", "radio_power")
_TAKEN = {"at": "s", "until acknowledged": "us"}
_DIRECTIONS = ((Role.HAND, Role.CRAFT), (Role.CRAFT, Role.HAND))
_VERDICTS = {Decision.GOOD: Verdict.PASS, Decision.BAD: Verdict.FAIL}


def perform(ctx: Context) -> None:
    radio = set_up(ctx)
    clocks, host = Clocks(), HostClock(ctx, ctx.board(Role.HAND))
    host.sample()
    # pings before and after: the clocks are followed over all that lies in between
    stretches = [ping(ctx, radio, clocks, 1, ctx.count("pings") // 2)]
    plain: dict[Role, Packets] = {}
    asked: dict[Role, Packets] = {}
    for number, (sender, receiver) in enumerate(_DIRECTIONS):
        name = f"{sender}_to_{receiver}"
        plain[sender] = _loss(ctx, radio, clocks, sender, receiver, 2 + 2 * number)
        asked[sender] = _acknowledged(ctx, radio, clocks, sender, receiver, 3 + 2 * number)
        _keep(ctx, name, plain[sender], asked[sender])
    if not others_answer(ctx, radio.payload):
        _judge_acknowledging(ctx, asked)
    stretches.append(ping(ctx, radio, clocks, 6, ctx.count("pings") // 2))
    host.sample()
    rate = host.rate()
    relation = judge_pings(ctx, radio, stretches, rate)
    for sender, receiver in _DIRECTIONS:
        _judge_latency(ctx, f"{sender}_to_{receiver}", radio, sender, plain[sender], relation, rate)
    if relation is not None:
        check_directions(ctx, radio, relation, plain[Role.HAND], plain[Role.CRAFT])
    if any(r.verdict is Verdict.FAIL for r in ctx.readings.values()):
        look_closer(ctx, radio, clocks)


def set_up(ctx: Context) -> Radio:
    """Compare the boards' radio settings as found, then write the stage's own to both and have them in force.

    What was found is written back when the stage ends: the next stage, and the next run, compare the boards' own.
    """
    radio = Radio(ctx.word("rate"), ctx.count("channel"), ctx.word("power"), ctx.count("payload"))
    compare_settings(ctx)
    for role in (Role.HAND, Role.CRAFT):
        board = ctx.board(role)
        found = {name: int(board.read_setting(name)) for name in _WRITTEN}
        ctx.cleanup.callback(_write_back, board, found)
        if radio.channel >= 0:
            board.write_setting("radio_channel", radio.channel)
        board.write_setting("radio_rate", list(RATES).index(radio.rate))
        board.write_setting("radio_power", POWERS[radio.power])
    for role in (Role.HAND, Role.CRAFT):
        answer = ctx.board(role).ask(msg.RadioApply(), timeout=1.0)
        if answer.wrong:
            ctx.fail(SettingsNotHeld(role, answer.wrong))
    return radio


def _write_back(board: Board, found: Mapping[str, int]) -> None:
    """The settings as they were found; what cannot be said is left."""
    try:
        board.clear_restart()
        for name, value in found.items():
            board.write_setting(name, value)
        board.ask(msg.RadioApply(), timeout=1.0, repeats=0)
    except (BoardError, PortLost):
        return


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
    for role in (sender, receiver):
        _say_forgotten(ctx, role)
    return packets


def _say_forgotten(ctx: Context, role: Role) -> None:
    """Whether a transceiver lost its settings, by the board's word or its own; once lost, it stays so for the stage."""
    name, board = f"{role}.forgot_settings", ctx.board(role)
    if board.identity is not None and board.identity.own:
        return  # its transceiver is the sketch's, and cannot be asked
    before = name in ctx.readings and ctx.readings[name].value > 0
    forgot = bool(board.events(msg.RadioLost)) or settings_lost(board)
    ctx.read(name, int(before or forgot), "", 1, note="1: found at power-on values after the packets")


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
        ctx.note(f"{readable(name)}: loss drifts by {100 * drift.slope:.3g} % a second (chance {drift.p_value:.2g})")


def _acknowledged(ctx: Context, radio: Radio, clocks: Clocks, sender: Role, receiver: Role, test: int) -> Packets:
    """Packets with acknowledgement and retransmission: what the user's own traffic will see."""
    name, count, interval = f"{sender}_to_{receiver}", ctx.count("acked"), ctx.count("interval_us")
    run = LinkRun(ctx, sender, receiver, clocks, test)
    ctx.cleanup.callback(run.stop_quietly)
    run.start(LinkMode.SEND_ACK, count, interval, radio.payload)

    def enough() -> bool:
        ctx.glimpse(f"{name}_until_acknowledged", "latency", _TAKEN, run.acknowledged_so_far(),
                    ev.Picture("from queued to acknowledged", name))  # fmt: skip
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


#: %: what arrives of a link that works, and what is acknowledged by chance at most
_ARRIVES, _CONFIRMED = 80.0, 5.0
#: packets that this can be said of
_FEW_ASKED = 20


def _judge_acknowledging(ctx: Context, asked: Mapping[Role, Packets]) -> None:
    """Whether packets arrive both ways and none is acknowledged.

    A packet says with one bit that it wants no acknowledgement (product specification, section 7.3.3). Look-alikes are
    known that send and read this bit the other way round (from memory): among themselves they work, and with a genuine
    one neither side acknowledges what it should.
    """
    if any(len(packets) < _FEW_ASKED for packets in asked.values()):
        return
    arrived = min(100 * (1 - float(packets.lost.mean())) for packets in asked.values())
    confirmed = max(100 * float(packets.delivered.mean()) for packets in asked.values())
    if arrived >= _ARRIVES and confirmed <= _CONFIRMED:
        ctx.fail(AcknowledgementsMissing(arrived, confirmed))


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
    shown = ctx.picture("from queued to received", name, latency=f"{name}.latency_p99")
    ctx.samples(f"{name}_latency", "latency", {"at": "s", "latency": "us"}, table, shown)
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


_KINDS = {"single": ("packets lost", "loss"), "acknowledged": ("packets never acknowledged", "given_up")}


def _keep(ctx: Context, name: str, plain: Packets, acked: Packets) -> None:
    """Every packet, for the log: sent, fate, retries."""
    columns = {"at": "s", "lost": "", "retries": "", "done": "us"}
    for kind, packets in (("single", plain), ("acknowledged", acked)):
        if len(packets):
            taken = packets.done - packets.queued
            table = np.array((packets.queued * 1e-6, packets.lost, packets.retries, taken), np.float64).T
            title, judged = _KINDS[kind]
            shown = ctx.picture(title, name, lost=f"{name}.{judged}")
            ctx.samples(f"{name}_{kind}", "packets", columns, table, shown)


STAGE = Stage(
    kind="radio_link",
    title="Radio link",
    instruction="Both boards send and receive; keep them where they are, at least half a metre apart.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity", "transceiver"), wired=RADIO_LINES),
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
        ReadingSpec(
            "settings_differ", "", "radio settings that differ", Limit(max=0), "lower", 0.5, "",
            about="Settings in which the two boards do not agree; with one they do not hear each other. Usual: 0.",
        ),
        ReadingSpec(
            "forgot_settings", "", "lost its settings meanwhile (1: yes)", Limit(max=0), "lower", 0.5, "",
            about="Whether the transceiver came back with reset values during the test: its supply was gone. Usual: "
                  "no.",
        ),
        ReadingSpec(
            "others_answer", "", "answers of a board that is not the pair's", Limit(max=0), "lower", 0.5, "",
            about="Packets that were acknowledged while the board they were meant for was silent: somebody else has "
                  "the same address, and will follow the same stick. Usual: 0.",
        ),
        ReadingSpec(
            "heard", "%", "sender heard above -64 dBm", None, "same", 20, "",
            about="Share of looks in which the receiver's detector saw the sender; with none of it antenna, power or"
                  " distance are at fault. Usual: above 90 % on a bench.",
        ),
        ReadingSpec(
            "echo_loss_weak", "%", "echoes missing at the lowest power", None, "lower", 5, "",
            about="Share of pings without an echo at -18 dBm; it shows how much reserve the link has. Usual: below 5"
                  " % on a bench.",
        ),
        ReadingSpec(
            "loss", "%", "packets lost", Limit(max=2.0), "lower", 0.5, "",
            about="Share of single packets that never came, no retries; what the air costs before anything repairs "
                  "it. Usual: below 0.5 % on a bench (common practice, no source).",
        ),
        ReadingSpec(
            "longest_burst", "packets", "most packets lost in a row", None, "lower", 3, "",
            about="The longest run of lost packets; so long the craft hears nothing. Usual: 1 or 2.",
        ),
        ReadingSpec(
            "burst_density", "%", "loss inside bursts", None, "lower", 30, "",
            about="How thick the losses lie within a burst (RFC 3611 gap and burst); a high one is an interferer, "
                  "not range.",
        ),
        ReadingSpec(
            "given_up", "%", "packets never acknowledged", Limit(max=0.5), "lower", 0.3, "",
            about="Share of packets given up after all retries; a command is lost for good. Usual: below 0.1 % "
                  "(common practice, no source).",
        ),
        ReadingSpec(
            "retries", "", "retransmissions per packet", Limit(max=0.5), "lower", 0.05, "",
            about="How often a packet had to be sent again; each costs time and air. Usual: below 0.05.",
        ),
        ReadingSpec(
            "acknowledged_p50", "us", "queued to acknowledged, median", None, "lower", 5, "%",
            about="Time from a packet's queueing to its acknowledgement. Usual: 500 to 900 µs at 1 Mbit/s (computed "
                  "from air time).",
        ),
        ReadingSpec(
            "latency_p50", "us", "link latency, median", Limit(max=2000), "lower", 10, "",
            about="Time from queueing a packet to its reception on the other board. Usual: 400 to 700 µs at 1 Mbit/s"
                  " (computed from air time).",
        ),
        ReadingSpec(
            "latency_p99", "us", "link latency, 99th percentile", Limit(max=4000), "lower", 20, "",
            about="The same of the slowest packet in a hundred; retries show here.",
        ),
        ReadingSpec(
            "jitter", "us", "link jitter", Limit(max=500), "lower", 10, "",
            about="Mean change of latency from packet to packet (RFC 3550, 6.4.1). Usual: below 50 µs without "
                  "retries.",
        ),
        ReadingSpec(
            "echo_loss", "%", "echoes missing", Limit(max=5.0), "lower", 1.0, "",
            about="Share of pings to the other board without an echo. Usual: below 1 %.",
        ),
        ReadingSpec(
            "round_trip_p50", "us", "round trip, median", None, "lower", 10, "",
            about="Time from sending to the echo's arrival, less the other board's turn-around. Usual: twice the air"
                  " time.",
        ),
        ReadingSpec(
            "round_trip_p99", "us", "round trip, 99th percentile", None, "lower", 20, "",
            about="The same of the slowest ping in a hundred.",
        ),
        ReadingSpec(
            "clock_drift", "ppm", "clocks drift apart by", None, "same", 5, "",
            about="How much the difference of the boards' clocks changed in the test; a warming resonator shows "
                  "here. Usual: below 5 ppm.",
        ),
        ReadingSpec(
            "clock_check", "us", "clock relation, cross-check", Limit(-CHECKED_US, CHECKED_US), "same", 5, "",
            about="Difference of two independent ways to relate the boards' clocks; latencies are as good as this. "
                  "Usual: below 5 µs.",
        ),
        ReadingSpec(
            "clock_skew", "ppm", "craft's clock against the hand's", Limit(-11000, 11000), "same", 200, "",
            about="How much faster one board's clock runs than the other's. Usual: below 100 ppm of crystals, 10 000"
                  " ppm of ceramic resonators (common practice, no source).",
        ),
    ),
    expected_s=lambda p: (
        2.0
        + 1e-6 * float(p["interval_us"]) * (float(p["count"]) * 0.6 + 2 * float(p["acked"]))
        + float(p["pings"]) * 0.0025
    ),
)  # fmt: skip
