"""Soak: radio traffic, LED, servo and supply all at once for long; finds what a minute does not."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchctl.analysis.loss import clopper_pearson, loss_drift
from benchctl.errors import NoAnswer, Refused, Restarted
from benchctl.session.board import Board
from benchctl.stages.announce import emit_health
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.link_run import Clocks, LinkRun
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import LinkMode, Load, PulseKind

_ROLES = (Role.HAND, Role.CRAFT)
#: loads are switched every so often, at another beat than the vital signs
_TURN_S, _VITALS_S = 1.7, 1.0


@dataclass(slots=True)
class _Seen:
    """What the soak has collected: per second of traffic, and per board."""

    at: list[float] = field(default_factory=list)
    sent: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    lowest: dict[Role, float] = field(default_factory=lambda: dict.fromkeys(_ROLES, math.inf))
    resets: dict[Role, int] = field(default_factory=lambda: dict.fromkeys(_ROLES, 0))
    radio_losses: dict[Role, int] = field(default_factory=lambda: dict.fromkeys(_ROLES, 0))


def perform(ctx: Context) -> None:
    seen = _Seen()
    seconds, window = ctx.number("seconds"), max(10.0, min(60.0, ctx.number("seconds") / 8))
    clocks, began, test = Clocks(), ctx.now(), 0x80
    while ctx.now() - began < seconds:
        left = seconds - (ctx.now() - began)
        try:
            _window(ctx, seen, clocks, test, min(window, left), began, seconds)
        except Restarted:
            _recover(ctx, seen)
        test = 0x80 + (test - 0x7F) % 0x40
    _judge(ctx, seen)


def _window(ctx: Context, seen: _Seen, clocks: Clocks, test: int, length: float, began: float, seconds: float) -> None:
    """One stretch of acknowledged traffic with loads switching; its packets are counted and dropped from memory."""
    run = LinkRun(ctx, Role.HAND, Role.CRAFT, clocks, test)
    interval = ctx.count("interval_us")
    started, turn, vitals, on = ctx.now(), 0.0, 0.0, False
    run.start(LinkMode.SEND_ACK, 0, interval, 8)
    try:
        while ctx.now() - started < length:
            ctx.wait(0.1)
            run.poll()
            if ctx.now() - turn >= _TURN_S:
                on, turn = not on, ctx.now()
                _switch(ctx, on)
            if ctx.now() - vitals >= _VITALS_S:
                vitals = ctx.now()
                _vitals(ctx, seen)
                ctx.progress(
                    ctx.now() - began, seconds, f"{sum(seen.sent)} packets, {sum(seen.resets.values())} resets"
                )
        run.stop()
    except BaseException:
        run.stop_quietly()
        raise
    finally:
        packets = run.packets()
        seen.at.append(ctx.now() - began)
        seen.sent.append(len(packets))
        seen.lost.append(int((~packets.delivered).sum()))
    _switch(ctx, False)


def _switch(ctx: Context, on: bool) -> None:
    for role in _ROLES:
        board = ctx.board(role)
        board.ask("load", load=Load.LED, on=int(on), strength=100)
        if PulseKind.SERVO in board.declared.pulse_kinds:
            board.ask("load", load=Load.SERVO, on=int(on), strength=100)


def _vitals(ctx: Context, seen: _Seen) -> None:
    for role in _ROLES:
        board = ctx.board(role)
        emit_health(board, ctx.emit)
        answer = board.ask("vitals")
        if answer.lowest_vcc_mv:
            seen.lowest[role] = min(seen.lowest[role], answer.lowest_vcc_mv / 1000)
        seen.radio_losses[role] += len(board.events("radio_lost"))


def _recover(ctx: Context, seen: _Seen) -> None:
    """A board restarted: count it, bring both back to a known state, go on."""
    for role in _ROLES:
        board = ctx.board(role)
        seen.resets[role] += len(board.events("boot"))
        board.clear_restart()
        _settle(ctx, board)


def _settle(ctx: Context, board: Board) -> None:
    for _ in range(3):
        try:
            ctx.wait(0.2)
            board.clear_restart()
            board.ask("link_stop", timeout=0.5)
            board.ask("radio_apply", timeout=1.0)
            return
        except (NoAnswer, Refused, Restarted):
            continue
    raise NoAnswer(f"the {board.role} board does not come back after its restart")


def _judge(ctx: Context, seen: _Seen) -> None:
    sent, lost = sum(seen.sent), sum(seen.lost)
    for role in _ROLES:
        ctx.read(f"{role}.resets", seen.resets[role], "", 1, source=Source.COUNTING, note="not asked for")
        ctx.read(f"{role}.radio_losses", seen.radio_losses[role], "", 1, source=Source.COUNTING,
                 note="times the transceiver had lost its settings")  # fmt: skip
        if math.isfinite(seen.lowest[role]):
            ctx.read(f"{role}.lowest_vcc", seen.lowest[role], "V", 1, source=Source.ADC, note="under all loads")
    if sent == 0:
        ctx.fail("no packet was sent during the soak")
        return
    interval = clopper_pearson(lost, sent).scaled(100)
    ctx.read("given_up", 100 * lost / sent, "%", sent, interval, Source.COUNTING, note="never acknowledged")
    table = np.column_stack((seen.at, seen.sent, seen.lost)).astype(np.float64)
    ctx.samples("soak_loss", "timeline", {"at": "s", "sent": "packets", "lost": "packets"}, table)
    if 0 < lost < sent:
        times = np.repeat(table[:, 0], table[:, 1].astype(int))
        flags = np.concatenate([np.arange(s) < n for s, n in zip(seen.sent, seen.lost, strict=True)])
        drift = loss_drift(times, flags)
        hourly = 360_000 * drift.slope
        ctx.read("loss_drift", hourly, "%", sent, drift.interval.scaled(360_000) if drift.interval else None,
                 Source.COUNTING, note=f"per hour; chance {100 * drift.p_value:.2g} % in a steady link")  # fmt: skip


STAGE = Stage(
    kind="soak",
    title="Soak",
    instruction="Everything at once for a while; the servo moves, keep clear of it. Nothing to do.",
    needs=Needs(roles=_ROLES, passed=("identity", "supply", "transceiver", "radio_link")),
    perform=perform,
    parameters=(
        Parameter("seconds", 60.0, "how long", "s", 5.0, 200_000.0),
        Parameter("interval_us", 10_000, "from packet to packet", "us", 500, 1_000_000),
    ),
    measures=(
        Measure("resets", "", "restarts not asked for", Limit(max=0), "lower", 0.5, ""),
        Measure("radio_losses", "", "transceiver lost its settings", Limit(max=0), "lower", 0.5, ""),
        Measure("lowest_vcc", "V", "lowest supply seen", None, "higher", 0.05, ""),
        Measure("given_up", "%", "packets never acknowledged", Limit(max=0.5), "lower", 0.3, ""),
        Measure("loss_drift", "%", "change of loss per hour", None, "lower", 1, ""),
    ),
    expected_s=lambda p: float(p["seconds"]) + 2.0,
)
