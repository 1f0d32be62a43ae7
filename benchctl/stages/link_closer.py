"""A bad link looked at more closely: do both sides use the same settings, is the sender heard, is less power better."""

from __future__ import annotations

from benchctl.analysis.loss import clopper_pearson
from benchctl.errors import Refused
from benchctl.facts import SettingDiffers
from benchctl.stages.contract import Context
from benchctl.stages.link_run import POWERS, Clocks, LinkRun, Radio
from benchctl.terms import Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode, Load

#: settings that both sides must have alike
_ALIKE = ("radio_channel", "radio_rate", "radio_crc", "radio_address")
_DIRECTIONS = ((Role.HAND, Role.CRAFT), (Role.CRAFT, Role.HAND))
_LOOKS, _DWELL_US = 60, 400
_PINGS, _PING_US = 40, 5000
_ASKED, _ASK_US = 10, 5000


def compare_settings(ctx: Context) -> None:
    """Counts the radio settings that differ between the two boards as they are found, and names them."""
    differ = 0
    for name in _ALIKE:
        here, there = (ctx.board(role).read_setting(name) for role in (Role.HAND, Role.CRAFT))
        if here != there:
            differ += 1
            setting = name.removeprefix("radio_")
            ctx.note(SettingDiffers(setting, _shown(name, here), _shown(name, there)), "warning")
    ctx.read("settings_differ", differ, "", len(_ALIKE))


def _shown(name: str, value: object) -> str:
    return f"0x{int(str(value)):08X}" if name == "radio_address" else str(value)


def others_answer(ctx: Context, payload: int) -> int:
    """Asks for acknowledgements while the board that should give them is silent: how many somebody else gave."""
    given = 0
    for sender in (Role.HAND, Role.CRAFT):
        board = ctx.board(sender)
        board.drop_events(msg.LinkSent, msg.Done)
        try:
            board.ask(
                msg.LinkStart(mode=LinkMode.SEND_ACK, count=_ASKED, test=0x61, interval_us=_ASK_US, payload=payload)
            )
            board.wait_done(msg.LinkStart, 5.0)
            answered = board.ask(msg.LinkStop(), timeout=1.0).delivered
        except Refused as e:
            ctx.note(f"{sender}: whether others answer was not looked at: {e}")
            continue
        board.drop_events(msg.LinkSent)
        ctx.read(f"{sender}.others_answer", answered, "", _ASKED, source=Source.COUNTING,
                 note="packets acknowledged, the pair's other board being silent")  # fmt: skip
        given += answered
    return given


def look_closer(ctx: Context, radio: Radio, clocks: Clocks) -> None:
    """How strongly each side hears the other, whatever its packets say, and the link at the lowest power."""
    for sender, receiver in _DIRECTIONS:
        try:
            _heard(ctx, sender, receiver)
        except Refused as e:
            ctx.note(f"{sender} to {receiver}: not looked at more closely: {e}")
    try:
        _weak_pings(ctx, radio, clocks)
    except Refused as e:
        ctx.note(f"pings at the lowest power left out: {e}")


def _heard(ctx: Context, sender: Role, receiver: Role) -> None:
    """One side sends packet after packet, the other looks at its received-power detector (-64 dBm)."""
    talker, listener = ctx.board(sender), ctx.board(receiver)
    channel = int(talker.read_setting("radio_channel"))
    power = POWERS[ctx.word("power")]
    talker.ask(msg.Load(load=Load.TRANSMIT, on=1, strength=power))
    try:
        listener.events(msg.Scan)
        listener.ask(msg.EnergyScan(first=channel, last=channel, dwell_us=_DWELL_US, sweeps=_LOOKS))
        listener.wait_done(msg.EnergyScan, 2.0)
        busy = msg.Scan.columns(listener.events(msg.Scan)).busy
    finally:
        talker.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0))
    hits = int((busy != 0).sum())
    if len(busy):
        interval = clopper_pearson(hits, len(busy)).scaled(100)
        ctx.read(f"{sender}_to_{receiver}.heard", 100 * hits / len(busy), "%", len(busy), interval, Source.COUNTING,
                 note="of the looks, while the sender sent packet after packet")  # fmt: skip


def _weak_pings(ctx: Context, radio: Radio, clocks: Clocks) -> None:
    """A link that is better at less power is overloaded; any other is worse."""
    for role in (Role.HAND, Role.CRAFT):
        ctx.board(role).write_setting("radio_power", POWERS["-18"])
        ctx.board(role).ask(msg.RadioApply(), timeout=1.0)
    run = LinkRun(ctx, Role.HAND, Role.CRAFT, clocks, 0x60)
    try:
        run.start(LinkMode.PING, _PINGS, _PING_US, radio.payload)
        run.run(_PINGS * _PING_US * 1e-6, lambda: run.sent_so_far >= _PINGS, "pings at the lowest power")
        run.stop()
    finally:
        for role in (Role.HAND, Role.CRAFT):
            ctx.board(role).write_setting("radio_power", POWERS[ctx.word("power")])
            ctx.board(role).ask(msg.RadioApply(), timeout=1.0)
    pings = run.pings()
    if pings.total:
        interval = clopper_pearson(pings.lost, pings.total).scaled(100)
        loss = 100 * pings.lost / pings.total
        ctx.read("echo_loss_weak", loss, "%", pings.total, interval, Source.COUNTING, note="both at -18 dBm")
