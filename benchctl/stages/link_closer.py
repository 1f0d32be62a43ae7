"""A bad link looked at more closely: do both sides use the same settings, is the sender heard, is less power better."""

from __future__ import annotations

from benchctl.analysis.loss import clopper_pearson
from benchctl.errors import Refused
from benchctl.stages.contract import Context
from benchctl.stages.link_run import POWERS, Clocks, LinkRun, Radio
from benchctl.terms import Role, Source
from benchctl.wire.catalogue import LinkMode, Load

#: settings that both sides must have alike
_ALIKE = ("radio_channel", "radio_rate", "radio_crc", "radio_address")
_DIRECTIONS = ((Role.HAND, Role.CRAFT), (Role.CRAFT, Role.HAND))
_LOOKS, _DWELL_US = 60, 400
_PINGS, _PING_US = 40, 5000


def compare_settings(ctx: Context) -> None:
    """Counts the radio settings that differ between the two boards, and names them."""
    differ = []
    for name in _ALIKE:
        here, there = (ctx.board(role).read_setting(name) for role in (Role.HAND, Role.CRAFT))
        if here != there:
            differ.append(f"{name.removeprefix('radio_')}: hand {_shown(name, here)}, craft {_shown(name, there)}")
    ctx.read("settings_differ", len(differ), "", len(_ALIKE), note="; ".join(differ))


def _shown(name: str, value: object) -> str:
    return f"0x{int(str(value)):08X}" if name == "radio_address" else str(value)


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
    talker.ask("load", load=Load.TRANSMIT, on=1, strength=power)
    try:
        listener.events("scan")
        listener.ask("energy_scan", first=channel, last=channel, dwell_us=_DWELL_US, sweeps=_LOOKS)
        listener.wait_done("energy_scan", 2.0)
        rows = [row for event in listener.events("scan") for row in event.rows]
    finally:
        talker.ask("load", load=Load.TRANSMIT, on=0, strength=0)
    hits = sum(1 for row in rows if row[0])
    if rows:
        interval = clopper_pearson(hits, len(rows)).scaled(100)
        ctx.read(f"{sender}_to_{receiver}.heard", 100 * hits / len(rows), "%", len(rows), interval, Source.COUNTING,
                 note="of the looks, while the sender sent packet after packet")  # fmt: skip


def _weak_pings(ctx: Context, radio: Radio, clocks: Clocks) -> None:
    """A link that is better at less power is overloaded; any other is worse."""
    for role in (Role.HAND, Role.CRAFT):
        ctx.board(role).write_setting("radio_power", POWERS["-18"])
        ctx.board(role).ask("radio_apply", timeout=1.0)
    run = LinkRun(ctx, Role.HAND, Role.CRAFT, clocks, 0x60)
    try:
        run.start(LinkMode.PING, _PINGS, _PING_US, radio.payload)
        run.run(_PINGS * _PING_US * 1e-6, lambda: run.sent_so_far >= _PINGS, "pings at the lowest power")
        run.stop()
    finally:
        for role in (Role.HAND, Role.CRAFT):
            ctx.board(role).write_setting("radio_power", POWERS[ctx.word("power")])
            ctx.board(role).ask("radio_apply", timeout=1.0)
    t1, _, _, _, lost = run.pings()
    total = len(t1) + lost
    if total:
        interval = clopper_pearson(lost, total).scaled(100)
        ctx.read("echo_loss_weak", 100 * lost / total, "%", total, interval, Source.COUNTING, note="both at -18 dBm")
