"""A battery beside USB: what is lifted before, and whether one feeds back into the other."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.analysis.supply_rules import vcc_from_bandgap
from benchctl.facts import FedBack
from benchctl.stages.contract import Context
from benchctl.stages.supply_path import LOOKS, mean_code
from benchctl.terms import Role, Source
from benchctl.wire.catalogue import AdcSource

#: a rail that rises so much as the battery is plugged in is fed by it; half a step of the converter, twice
RISE_MV = 22.0


def keep_apart(ctx: Context) -> float:
    """Before a battery is connected beside USB: has lifted what joins them. Returns the craft's supply before, in V."""
    craft = ctx.board(Role.CRAFT)
    if craft.wiring.usb_apart is not True:
        known = "USB and battery are not kept apart" if craft.wiring.usb_apart is False else (
            "Nobody has said whether USB and battery are kept apart (supply.usb_apart)"
        )  # fmt: skip
        text = (
            f"{known}. Before the battery: take the red wire of every motor controller's signal lead out of its "
            "connector and insulate it, or its built-in regulator feeds back into USB; feed the servos from a supply "
            "of their own. Ground and signal stay."
        )
        ctx.ask(ev.PromptKind.DO, text, "lift_red", role=Role.CRAFT, timeout_s=600.0)
    return supply_volts(ctx)


def supply_volts(ctx: Context) -> float:
    """The craft's supply as its converter has it."""
    craft = ctx.board(Role.CRAFT)
    bandgap = int(craft.read_setting("bandgap_mv")) / 1000
    return float(vcc_from_bandgap(mean_code(craft, AdcSource.BAND_GAP), bandgap))


def fed_back(ctx: Context, before: float) -> bool:
    """Whether the battery now feeds the processor's rail; then that is read, and the stage fails by it."""
    rise = 1000 * (supply_volts(ctx) - before)
    ctx.read("supply_rise", rise, "mV", LOOKS, source=Source.ADC, note="craft's supply, by plugging the battery in")
    if rise <= RISE_MV:
        return False
    ctx.fail(FedBack(Role.CRAFT, round(rise, 1)))
    return True
