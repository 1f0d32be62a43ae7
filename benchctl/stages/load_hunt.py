"""Load hunt: loads switched in a balanced, randomised plan until the trigger of a board's resets is known.

Every block holds each combination of the board's loads once, in random order, so that nothing that drifts can pass
for a load. After every block each load, and each two together, is tested for its part in the trouble; the plan ends
as soon as one is named, or when enough trials went by without any trouble.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.supply_rules import vcc_from_bandgap
from benchctl.analysis.trigger import Trigger, find_trigger
from benchctl.errors import NoAnswer, Refused, Restarted
from benchctl.facts import HuntedLoad, SettingsRefused, TriggerFound, TriggerUnknown
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.link_run import POWERS
from benchctl.stages.outputs import confirmed_outputs, servo_moves
from benchctl.stages.supply_bursts import settings_lost
from benchctl.stages.supply_path import LOOKS as _LOOKS
from benchctl.stages.supply_path import PATH_MEASURES, mean_code, path_ohms, say_sending_lost
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import MOTOR_KINDS, NO_PIN, AdcSource, Function, LinkMode, Load

_OTHER = {Role.HAND: Role.CRAFT, Role.CRAFT: Role.HAND}
#: 125 kHz converter clock; its looks take about 25 ms
_SLOW, _GAP_US = 7, 100
_PAYLOAD, _INTERVAL_US = 32, 1500
_SERVO_TRAVEL_S = 0.8
_LOADS = {"led": Load.LED, "servo": Load.SERVO, "motor_idle": Load.MOTOR_IDLE}


@dataclass(slots=True)
class _Trial:
    """One combination held for a moment. on: which loads. trouble: reset or settings lost."""

    on: tuple[bool, ...]
    reset: bool = False
    settings_lost: bool = False
    lowest: float = math.nan
    sent: int = 0
    lost: int = 0

    @property
    def trouble(self) -> bool:
        return self.reset or self.settings_lost


@dataclass(slots=True)
class _Hunt:
    """The hunt on one board. radio: its own transceiver takes its settings; peer: the other board's does."""

    role: Role
    factors: tuple[str, ...]
    radio: bool = True
    peer: bool = True
    trials: list[_Trial] = field(default_factory=list)
    trigger: Trigger | None = None


def perform(ctx: Context) -> None:
    for role in _OTHER:
        ctx.board(role).quiet()
    whole = {role: _radio_holds(ctx, ctx.board(role)) for role in _OTHER}
    for role, other in _OTHER.items():
        hunt = _Hunt(role, ("transmit", *_switchable(ctx.board(role))), whole[role], whole[other])
        ctx.cleanup.callback(_all_off, ctx.board(role), hunt.factors)
        with ctx.tolerating(ctx.board(role)):
            _run(ctx, hunt)
            _judge(ctx, hunt)
            _sending(ctx, ctx.board(role))


def _radio_holds(ctx: Context, board: Board) -> bool:
    """Whether the transceiver takes its settings at rest; one that has lost its supply gets time to wake."""
    for _ in range(3):
        try:
            if not board.ask(msg.RadioApply(), timeout=1.0).wrong:
                return True
        except Refused:
            pass
        ctx.wait(0.1)
    ctx.note(SettingsRefused(board.role, "its part in the hunt"), "warning")
    return False


def _confirmed(board: Board) -> set[int]:
    return confirmed_outputs(board) if board.wiring.pulse_kinds else set()


def _switchable(board: Board) -> tuple[str, ...]:
    out = ["led"] if board.wiring.pins.get(Function.LED, NO_PIN) != NO_PIN and not board.servo_astray else []
    kinds = board.wiring.pulse_kinds
    out += ["servo"] if servo_moves(board) else []
    out += ["motor_idle"] if any(kinds[c - 1] in MOTOR_KINDS for c in _confirmed(board)) else []
    return tuple(out)


# ---------------------------------------------------------------------- the plan


def _run(ctx: Context, hunt: _Hunt) -> None:
    """Blocks until the trigger is named, or quiet for long enough, or the plan is used up."""
    combinations = list(itertools.product((False, True), repeat=len(hunt.factors)))
    most, quiet = ctx.count("blocks"), ctx.count("quiet_trials")
    for block in range(most):
        order = list(combinations)
        ctx.bench.chance.shuffle(order)
        for on in order:
            hunt.trials.append(_trial(ctx, hunt, on))
            ctx.progress(len(hunt.trials), most * len(order), f"{hunt.role}: block {block + 1} of at most {most}")
        table = np.array([t.on for t in hunt.trials], bool)
        trouble = np.array([t.trouble for t in hunt.trials], bool)
        hunt.trigger = find_trigger(hunt.factors, table, trouble, alpha=ctx.number("error") / 100, looks=most)
        if hunt.trigger is not None or (not trouble.any() and len(hunt.trials) >= quiet):
            return


def _trial(ctx: Context, hunt: _Hunt, on: tuple[bool, ...]) -> _Trial:
    """Switch, send packets, look at the supply; a restart in between is what is being looked for."""
    trial, board = _Trial(on), ctx.board(hunt.role)
    before = board.restarts
    try:
        if hunt.radio:
            board.write_setting("radio_power", POWERS["0" if on[0] else "-18"])
            trial.settings_lost = not _radio_holds(ctx, board)
        _switch(board, hunt.factors[1:], on[1:])
        _exercise(ctx, hunt, trial)
        # the firmware tells of what it found and wrote over, the transceiver of what nobody has found yet
        trial.settings_lost |= hunt.radio and (settings_lost(board) or bool(board.events(msg.RadioLost)))
    except Restarted:
        trial.reset = board.restarts > before
    except Refused as e:
        ctx.note(f"{hunt.role}: {e}", "warning")
    except NoAnswer:
        # held in reset for as long as the load lasts: its start is heard in `_settle`
        ctx.wait(0.1)
    finally:
        _settle(ctx, hunt)
    trial.reset = trial.reset or board.restarts > before
    return trial


def _switch(board: Board, names: Sequence[str], on: Sequence[bool]) -> None:
    for name, state in zip(names, on, strict=True):
        board.ask(msg.Load(load=_LOADS[name], on=int(state), strength=100))


def _rest(board: Board, factors: tuple[str, ...]) -> None:
    """As a board is when nobody hunts: only a motor controller's idle pulse is there."""
    _switch(board, factors[1:], [f == "motor_idle" for f in factors[1:]])


def _exercise(ctx: Context, hunt: _Hunt, trial: _Trial) -> None:
    """Packets go out while the supply is looked at; their fate is what both ends' counters say."""
    board, peer, count = ctx.board(hunt.role), ctx.board(_OTHER[hunt.role]), ctx.count("packets")
    traffic: dict[str, Any] = {"test": 0xC0, "interval_us": _INTERVAL_US, "payload": _PAYLOAD}
    began = ctx.now()
    if hunt.radio and hunt.peer:
        peer.ask(msg.LinkStart(mode=LinkMode.RECEIVE, count=0, **traffic))
    if hunt.radio:
        board.ask(msg.LinkStart(mode=LinkMode.SEND_ACK, count=count, **traffic))
    moves = dict(zip(hunt.factors, trial.on, strict=True)).get("servo", False)
    lows = []
    for turn in range(2):
        if moves:
            # a servo draws most when it starts: send it to its other end and look at once
            board.ask(msg.Load(load=Load.SERVO, on=1, strength=100 * (turn % 2 == 0)))
        lows.append(_lowest(board))
    trial.lowest = min(lows)
    ctx.wait(max(0.0, count * _INTERVAL_US * 1e-6 + 0.02 - (ctx.now() - began)))
    totals = board.ask(msg.LinkStop(), timeout=1.0)
    if hunt.radio and hunt.peer:
        peer.ask(msg.LinkStop(), timeout=1.0)
        trial.sent, trial.lost = totals.sent, max(0, totals.sent - totals.delivered)


def _lowest(board: Board) -> float:
    """Lowest supply in a short look, by the band-gap."""
    a = board.ask(msg.Adc(source=AdcSource.BAND_GAP, prescaler=_SLOW, count=_LOOKS, gap_us=_GAP_US), timeout=1.0)
    bandgap = int(board.read_setting("bandgap_mv")) / 1000
    return float(vcc_from_bandgap(a.high, bandgap))


def _settle(ctx: Context, hunt: _Hunt) -> None:
    """Loads off and both boards quiet again, also after a restart. Raises NoAnswer when a board stays away."""
    for role in (hunt.role, _OTHER[hunt.role]):
        board = ctx.board(role)
        for attempt in range(6):
            try:
                board.clear_restart()
                board.ask(msg.LinkStop(), timeout=0.5)
                if role is hunt.role:
                    _rest(board, hunt.factors)
                break
            except (NoAnswer, Restarted):
                if attempt == 5:
                    raise NoAnswer(f"the {role} board does not come back after its restart") from None
                ctx.wait(0.2)
    for role in (hunt.role, _OTHER[hunt.role]):
        ctx.board(role).drop_events(msg.Boot, msg.LinkSent, msg.LinkReceived, msg.Done, msg.RadioLost)


def _all_off(board: Board, factors: tuple[str, ...]) -> None:
    try:
        board.clear_restart()
        board.write_setting("radio_power", int(board.wiring.settings.get("radio_power", POWERS["0"])))
        board.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0))
        _rest(board, factors)
    except (NoAnswer, Refused, Restarted):
        return


# ---------------------------------------------------------------------- steady sending


def _sending(ctx: Context, board: Board) -> None:
    """Mean rails while packets follow each other without a pause: what the regulator must give on average."""
    try:
        board.write_setting("radio_power", POWERS["0"])
        board.ask(msg.RadioApply(), timeout=1.0)
        # a servo that the last trial sent off is still on its way
        ctx.wait(_SERVO_TRAVEL_S)
        rest = mean_code(board, AdcSource.BAND_GAP)
        board.events(msg.RadioLost)
        board.ask(msg.Load(load=Load.TRANSMIT, on=1, strength=3))
        ctx.wait(0.02)
        loaded = mean_code(board, AdcSource.BAND_GAP)
        bandgap = int(board.read_setting("bandgap_mv")) / 1000
        vcc = float(vcc_from_bandgap(loaded, bandgap))
        sag = float(vcc_from_bandgap(rest, bandgap)) - vcc
        ctx.read(f"{board.role}.sending_sag", max(0.0, sag), "V", _LOOKS, source=Source.ADC, note="processor's rail")
        code = 0.0
        if board.wiring.pins.get(Function.SENSE_RAIL, NO_PIN) != NO_PIN:
            code = mean_code(board, AdcSource.SENSE_RAIL)
        path_ohms(ctx, board, float(vcc_from_bandgap(rest, bandgap)), bandgap)
        board.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0))
        # one that forgot its settings sent no more: what its rail read then proves nothing
        if not say_sending_lost(ctx, board) and code:
            volts = code * vcc * int(board.read_setting("rail_divider")) / 1000 / 1024
            note = "mean of the transceiver's rail, packet after packet"
            ctx.read(f"{board.role}.radio_volts_sending", volts, "V", _LOOKS, source=Source.ADC, note=note)
    except Refused:
        ctx.note(SettingsRefused(board.role, "steady sending"), "warning")
    except Restarted:
        ctx.note(f"{board.role}: restarted while packet followed packet", "warning")
        ctx.read(f"{board.role}.sending_resets", 1, "", 1, source=Source.COUNTING)
        board.clear_restart()
        ctx.wait(0.3)


# ---------------------------------------------------------------------- what came of it


def _judge(ctx: Context, hunt: _Hunt) -> None:
    role, trials = hunt.role, hunt.trials
    table = np.array([t.on for t in trials], bool)
    lows = np.array([t.lowest for t in trials])
    rows = [(*t.on, t.reset, t.settings_lost, t.lowest, t.sent, t.lost) for t in trials]
    columns = dict.fromkeys((*hunt.factors, "reset", "settings lost"), "") | {"lowest": "V", "sent": "", "lost": ""}
    ctx.samples(
        f"{role}_trials",
        "loads",
        columns,
        np.array(rows, np.float64),
        ctx.picture("trials with trouble, each load on and off", role),
    )
    n = len(trials)
    ctx.read(f"{role}.resets", sum(t.reset for t in trials), "", n, source=Source.COUNTING, note="in the hunt's trials")
    count = sum(t.settings_lost for t in trials)
    ctx.read(f"{role}.radio_losses", count, "", n, source=Source.COUNTING, note="transceiver forgot its settings")
    if np.isfinite(lows).any():
        ctx.read(f"{role}.lowest_vcc", float(np.nanmin(lows)), "V", n, source=Source.ADC)
    sags = _sags(table, lows)
    for i, factor in enumerate(hunt.factors):
        _effect(ctx, hunt, factor, table[:, i], float(sags[i]))
    _say_trigger(ctx, hunt)


def _sags(on: np.ndarray, lows: np.ndarray) -> np.ndarray:
    """How far each load takes the minima down, by least squares: trials cut off by a restart leave the plan uneven."""
    seen = np.isfinite(lows)
    if seen.sum() <= on.shape[1]:
        return np.full(on.shape[1], math.nan)
    columns = np.column_stack((np.ones(seen.sum()), on[seen]))
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        return np.full(on.shape[1], math.nan)
    fit: np.ndarray = np.linalg.lstsq(columns, lows[seen], rcond=None)[0]
    return -fit[1:]


def _effect(ctx: Context, hunt: _Hunt, factor: str, on: np.ndarray, sag: float) -> None:
    """What the load does to the supply, and to the packets sent while it was on."""
    if math.isfinite(sag):
        note = "supply's minima with it, below those without"
        ctx.read(f"{hunt.role}.{factor}_sag", sag, "V", len(on), source=Source.ADC, note=note)
    sent = sum(t.sent for t, o in zip(hunt.trials, on, strict=True) if o)
    lost = sum(t.lost for t, o in zip(hunt.trials, on, strict=True) if o)
    if sent:
        interval = clopper_pearson(lost, sent).scaled(100)
        ctx.read(f"{hunt.role}.{factor}_loss", 100 * lost / sent, "%", sent, interval, Source.COUNTING,
                 note="packets never acknowledged while it was on")  # fmt: skip


def _say_trigger(ctx: Context, hunt: _Hunt) -> None:
    found = hunt.trigger
    if found is not None:
        loads = tuple(HuntedLoad(f) for f in found.loads)
        ctx.note(TriggerFound(hunt.role, loads, found.with_it, found.n_with, found.without, found.n_without,
                              float(found.chance), ctx.number("error")))  # fmt: skip
        for factor in found.loads:
            ctx.read(f"{hunt.role}.trigger_{factor}", 1, "", len(hunt.trials), source=Source.COUNTING)
    elif any(t.trouble for t in hunt.trials):
        ctx.note(TriggerUnknown(hunt.role, len(hunt.trials)), "warning")


STAGE = Stage(
    kind="load_hunt",
    title="Load hunt",
    instruction="Loads are switched in turn until it is known which one makes trouble. The servo moves; nothing spins.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity",)),
    perform=perform,
    parameters=(
        Parameter("blocks", 6, "most repetitions of all combinations", "", 1, 100),
        Parameter("quiet_trials", 16, "trials without trouble after which the hunt ends", "", 4, 10_000),
        Parameter("packets", 40, "packets sent in each trial", "packets", 5, 10_000),
        Parameter("error", 1.0, "chance that a load without part in the trouble is named", "%", 0.01, 20.0),
    ),
    measures=(
        ReadingSpec(
            "resets", "", "trials with a restart", Limit(max=0), "lower", 0.5, "",
            about="Trials of the load plan in which the board restarted. Usual: 0.",
        ),
        ReadingSpec(
            "radio_losses", "", "trials with settings forgotten", Limit(max=0), "lower", 0.5, "",
            about="Trials in which the transceiver came back with reset values: its supply was gone. Usual: 0.",
        ),
        ReadingSpec(
            "sending_resets", "", "restarts while packet followed packet", Limit(max=0), "lower", 0.5, "",
            about="Restarts under the hardest load of the transceiver. Usual: 0.",
        ),
        *PATH_MEASURES,
        ReadingSpec(
            "lowest_vcc", "V", "lowest supply seen", None, "higher", 0.05, "",
            about="Lowest supply of the processor in all trials. Usual: 0.1 to 0.3 V below rest (common practice, no"
                  " source).",
        ),
        ReadingSpec(
            "sending_sag", "V", "supply sags, packet after packet, by", Limit(max=0.5), "lower", 0.05, "",
            about="How far the processor's supply falls under packets without a pause. Usual: below 0.1 V (common "
                  "practice, no source).",
        ),
        ReadingSpec(
            "radio_volts_sending", "V", "transceiver's supply, packet after packet", Limit(min=2.4), "same", 2, "%",
            about="Its supply under packets without a pause; below 1.9 V it forgets its settings (nRF24L01+ Product "
                  "Specification 1.0). Usual: 3.2 V and more.",
        ),
        *(
            measure
            for f, w in ((str(t), t.words) for t in HuntedLoad)
            for measure in (
                ReadingSpec(
                    f"{f}_sag", "V", f"supply lower with {w} by", Limit(max=0.5), "lower", 0.05, "",
                    about="How much deeper the supply's minima lie in the trials with this load than without. Usual: "
                          "below 0.1 V, a servo 0.2 V (common practice, no source).",
                ),
                ReadingSpec(
                    f"{f}_loss", "%", f"packets lost with {w}", None, "lower", 1.0, "",
                    about="Packets lost in the trials with this load, less those without it. Usual: 0 within its "
                          "interval.",
                ),
                ReadingSpec(
                    f"trigger_{f}", "", f"trigger: {w} (1: part of it)", None, "same", 0.5, "",
                    about="Whether restarts or lost settings come with this load more often than chance allows. "
                          "Usual: no.",
                ),
            )
        ),
    ),
    expected_s=lambda p: 12.0 + 0.0035 * float(p["packets"]) * 32,
    swings=True,
)  # fmt: skip
