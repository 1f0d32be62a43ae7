"""Soak: radio traffic, LED, servo and supply all at once for long; finds what a minute does not."""

from __future__ import annotations

import math

import numpy as np

from benchctl import events as ev
from benchctl.analysis.loss import clopper_pearson, loss_drift
from benchctl.errors import BoardError, NoAnswer, PortLost, Restarted
from benchctl.stages.announce import emit_health
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.link_run import Clocks, LinkRun
from benchctl.stages.outputs import servo_moves
from benchctl.stages.soak_lives import Lives
from benchctl.stages.supply import reference_of
from benchctl.stages.supply_bursts import settings_lost
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode, Load

_ROLES = (Role.HAND, Role.CRAFT)
#: loads are switched every so often, at another beat than the vital signs
_TURN_S = 1.7
#: vital signs: so many over the whole soak, but never further apart or closer than this
_LOOKS, _LOOK_MOST_S, _LOOK_LEAST_S = 5000, 20.0, 1.0


_PICTURE = ev.Picture("packets of each stretch, and how many of them were lost")
_LOSS = {"at": "s", "sent": "packets", "lost": "packets"}


class _Seen:
    """What the soak has collected: per window of traffic, and per board."""

    def __init__(self, ctx: Context) -> None:
        self.at: list[float] = []
        self.sent: list[int] = []
        self.lost: list[int] = []
        self.lowest = dict.fromkeys(_ROLES, math.inf)
        self.reference = {role: reference_of(ctx.board(role)) for role in _ROLES}
        self.radio_losses = dict.fromkeys(_ROLES, 0)
        self.lives = {role: Lives(ctx, role) for role in _ROLES}
        self.began, self.seconds = ctx.now(), ctx.number("seconds")
        self.look_s = max(_LOOK_LEAST_S, min(_LOOK_MOST_S, self.seconds / _LOOKS))
        self._looked = -math.inf

    def left(self, now: float) -> float:
        return self.seconds - (now - self.began)

    def look_due(self, now: float) -> bool:
        due = now - self._looked >= self.look_s
        self._looked = now if due else self._looked
        return due

    def tell(self, ctx: Context) -> None:
        starts = sum(lives.starts for lives in self.lives.values())
        ctx.progress(ctx.now() - self.began, self.seconds, f"{sum(self.sent)} packets, {starts} restarts")


def perform(ctx: Context) -> None:
    seen = _Seen(ctx)
    window, test = max(10.0, min(60.0, seen.seconds / 8)), 0x80
    while seen.left(ctx.now()) > 0:
        try:
            _window(ctx, seen, test, min(window, seen.left(ctx.now())))
        except (Restarted, NoAnswer, PortLost):
            for lives in seen.lives.values():
                lives.reach(ctx.number("patience"))
        test = 0x80 + (test - 0x7F) % 0x40
    for lives in seen.lives.values():
        lives.end()
    _judge(ctx, seen)


def _window(ctx: Context, seen: _Seen, test: int, length: float) -> None:
    """One stretch of acknowledged traffic with loads switching; its packets are counted and dropped from memory."""
    run = LinkRun(ctx, Role.HAND, Role.CRAFT, Clocks(), test)
    run.start(LinkMode.SEND_ACK, 0, ctx.count("interval_us"), 8)
    try:
        _traffic(ctx, seen, run, length)
        run.stop()
        for role in _ROLES:
            # nobody looks at a transceiver that only listens: it is found out as late as here, by the host
            lost = settings_lost(ctx.board(role))
            seen.radio_losses[role] += len(ctx.board(role).events(msg.RadioLost)) or int(lost)
    except (BoardError, PortLost):
        run.stop_quietly()
        raise
    finally:
        packets = run.packets()
        seen.at.append(ctx.now() - seen.began)
        seen.sent.append(len(packets))
        seen.lost.append(int((~packets.delivered).sum()))
        _tell(ctx, seen)
    _switch(ctx, False)


def _tell(ctx: Context, seen: _Seen) -> None:
    """What there is by now, for whoever watches."""
    sent, lost = sum(seen.sent), sum(seen.lost)
    ctx.glimpse("soak_loss", "timeline", _LOSS, list(zip(seen.at, seen.sent, seen.lost, strict=True)), _PICTURE)
    if sent:
        interval = clopper_pearson(lost, sent).scaled(100)
        ctx.read("given_up", 100 * lost / sent, "%", sent, interval, Source.COUNTING, final=False)


def _traffic(ctx: Context, seen: _Seen, run: LinkRun, length: float) -> None:
    started, turn, on = ctx.now(), -math.inf, False
    while ctx.now() - started < length:
        ctx.wait(0.1)
        run.poll()
        if ctx.now() - turn >= _TURN_S:
            on, turn = not on, ctx.now()
            _switch(ctx, on)
        if seen.look_due(ctx.now()):
            _vitals(ctx, seen)
            seen.tell(ctx)


def _switch(ctx: Context, on: bool) -> None:
    for role in _ROLES:
        board = ctx.board(role)
        if not board.servo_astray:
            board.ask(msg.Load(load=Load.LED, on=int(on), strength=100))
        if servo_moves(board):
            board.ask(msg.Load(load=Load.SERVO, on=int(on), strength=100))


def _vitals(ctx: Context, seen: _Seen) -> None:
    for role in _ROLES:
        board = ctx.board(role)
        emit_health(board, ctx.emit)
        answer = board.ask(msg.Vitals())
        if answer.lowest_vcc_mv:
            seen.lowest[role] = min(seen.lowest[role], answer.lowest_vcc_mv / 1000)
        seen.radio_losses[role] += len(board.events(msg.RadioLost))
        seen.lives[role].tick()


def _judge(ctx: Context, seen: _Seen) -> None:
    sent, lost = sum(seen.sent), sum(seen.lost)
    for role in _ROLES:
        lives = seen.lives[role]
        ctx.read(f"{role}.resets", lives.starts, "", 1, source=Source.COUNTING, note="as the board counts its starts")
        ctx.read(f"{role}.absences", lives.absences, "", 1, source=Source.COUNTING, note="times it did not answer")
        if lives.longest is not None and lives.longest.seconds > 1:
            ppm, interval = lives.longest.ppm()
            ctx.read(f"{role}.clock_error", ppm, "ppm", 1, interval, Source.CLOCK,
                     note=f"over {lives.longest.seconds:.0f} s without a restart")  # fmt: skip
        ctx.read(f"{role}.radio_losses", seen.radio_losses[role], "", 1, source=Source.COUNTING,
                 note="times the transceiver had lost its settings")  # fmt: skip
        if math.isfinite(seen.lowest[role]):
            volts = seen.lowest[role]
            # a step of the converter at this voltage, and its reference
            half = volts**2 / (1024 * 1.1) + seen.reference[role] * volts
            about = Interval(volts - half, volts + half)
            ctx.read(f"{role}.lowest_vcc", volts, "V", 1, about, Source.ADC, note="under all loads")
    if sent == 0:
        ctx.fail("no packet was sent during the soak")
        return
    interval = clopper_pearson(lost, sent).scaled(100)
    ctx.read("given_up", 100 * lost / sent, "%", sent, interval, Source.COUNTING, note="never acknowledged")
    table = np.column_stack((seen.at, seen.sent, seen.lost)).astype(np.float64)
    ctx.samples("soak_loss", "timeline", _LOSS, table, _PICTURE)
    if 0 < lost < sent:
        drift = loss_drift(table[:, 0], table[:, [2, 1]])
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
        Parameter("patience", 60.0, "how long a board may be out of reach", "s", 1.0, 3600.0),
        Parameter("interval_us", 10_000, "from packet to packet", "us", 500, 1_000_000),
    ),
    measures=(
        ReadingSpec(
            "resets", "", "restarts nobody asked for", Limit(max=0), "lower", 0.5, "",
            about="Restarts of the board in the soak; each is a loss of control. Usual: 0.",
        ),
        ReadingSpec(
            "absences", "", "times out of reach", Limit(max=0), "lower", 0.5, "",
            about="How often the board's port went away; a loose plug or cable. Usual: 0.",
        ),
        ReadingSpec(
            "clock_error", "ppm", "clock against the host's", None, "same", 50, "",
            about="How far the board's clock is off over the whole soak; see identity for usual values.",
        ),
        ReadingSpec(
            "radio_losses", "", "settings forgotten", Limit(max=0), "lower", 0.5, "",
            about="How often the transceiver came back with reset values: its supply was gone. Usual: 0.",
        ),
        ReadingSpec(
            "lowest_vcc", "V", "lowest supply seen", None, "higher", 0.05, "",
            about="Lowest supply of the processor in the whole soak. Usual: 0.1 to 0.3 V below rest (common "
                  "practice, no source).",
        ),
        ReadingSpec(
            "given_up", "%", "packets never acknowledged", Limit(max=0.5), "lower", 0.3, "",
            about="Share of packets given up after all retries. Usual: below 0.1 % (common practice, no source).",
        ),
        ReadingSpec(
            "loss_drift", "%", "loss grows per hour by", None, "lower", 1, "",
            about="Trend of the loss; warming parts and emptying batteries show here. Usual: 0 within its interval.",
        ),
    ),
    expected_s=lambda p: float(p["seconds"]) + 2.0,
    swings=True,
)  # fmt: skip
