"""Remedies with numbers, computed from the run's readings where physics allows; else the table's own words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from benchctl.findings.causes import Cause
from benchctl.findings.record import Log
from benchctl.findings.supply_evidence import main_ohms
from benchctl.terms import Role
from benchctl.units import number

#: a burst at 1 Mbps with 32 bytes: 130 µs of settling and 329 µs on the air (Product Specification, sections 6.1, 7.3)
BURST_MS = 0.46
#: dip that is allowed at the transceiver, V
ALLOWED_V = 0.3
#: values that capacitors are sold in, µF (E6 of IEC 60063 in the usual range)
_SIZES = (1, 2.2, 3.3, 4.7, 6.8, 10, 15, 22, 33, 47, 68, 100, 150, 220, 330, 470, 680, 1000)
#: listening and sending at 0 dBm, mA (Product Specification, table 4); headroom for the rest of a rail
_LISTEN_MA, _SEND_MA = 13.5, 11.3


def needed_uf(load_ma: float, delivered_ma: float, burst_ms: float = BURST_MS, allowed_v: float = ALLOWED_V) -> float:
    """Capacity that keeps a burst's dip within what is allowed: what the regulator does not give, times the time."""
    return max(0.0, load_ma - delivered_ma) * burst_ms / allowed_v


def size_uf(needed: float) -> float:
    """The value to buy: the smallest sold that is no more than 15 % below what is needed."""
    return next((float(s) for s in _SIZES if s >= 0.85 * needed), float(_SIZES[-1]))


def remedy(log: Log, cause: Cause, board: Role | None) -> str:
    """What to change: part, place, value. Without full stop."""
    computed = _COMPUTED.get(cause.name)
    text = computed(log, board) if computed is not None else ""
    return text or cause.remedy


def _capacitor(log: Log, board: Role | None) -> str:
    dip = log.value(f"{board}.transmit_dip", "supply")
    load = log.value(f"{board}.transmit_load", "supply")
    bulk = log.value(f"{board}.transmit_bulk", "supply")
    delivered = log.value(f"{board}.transmit_delivered", "supply")
    if dip is None:
        return ""
    if load is None or bulk is None or delivered is None:
        return f"fit 100 µF or more directly at the transceiver's supply pins: measured dip {number(dip, 2)} V"
    late = delivered >= 0.98 * load
    need = bulk * dip / ALLOWED_V if late else needed_uf(load, delivered)
    why = (
        "the regulator answers too late"
        if late
        else f"the regulator gives about {number(delivered, 2)} mA of {load:.0f}"
    )
    return (
        f"fit {number(size_uf(need))} µF or more directly at the transceiver's supply pins (computed "
        f"{number(need, 2)} µF for a dip of {ALLOWED_V} V): measured dip {number(dip, 2)} V, "
        f"effective {number(bulk, 2)} µF, {why}"
    )


def _joint_radio(log: Log, board: Role | None) -> str:
    ohms = log.value(f"{board}.transmit_source", "supply")
    if ohms is None or not ohms > 0:
        return ""
    load = log.value(f"{board}.transmit_load", "supply") or _SEND_MA
    return (
        f"resolder the supply line of the transceiver: about {number(ohms, 2)} Ω between regulator and pins, which "
        f"cost {number(1e-3 * ohms * load, 2)} V at {load:.0f} mA as long as it flows; no capacitor brings that back"
    )


def _regulator(log: Log, board: Role | None) -> str:
    load = log.value(f"{board}.transmit_load", "supply") or _SEND_MA
    need = max(load, _LISTEN_MA) + _LISTEN_MA
    volts = log.value(f"{board}.radio_volts", "supply")
    shown = f"; the rail stands at {number(volts, 3)} V" if volts is not None and volts < 3.1 else ""
    return (
        f"use a 3.3 V regulator for at least {number(math.ceil(need / 50) * 50)} mA plus what else hangs on its rail, "
        f"or move those loads to another one{shown}"
    )


def _source(log: Log, board: Role | None) -> str:
    ohms, vcc = main_ohms(log, board) if board else None, log.value(f"{board}.vcc", "supply")
    if ohms is not None and ohms.value > 0.5:
        return (
            f"use a shorter, thicker cable or a stronger source: {number(ohms.value, 2)} Ω measured; for a sag of "
            f"{ALLOWED_V} V at 300 mA it must be below 1 Ω"
        )
    if vcc is not None and vcc < 4.5:
        return f"use a stronger source: the processor's rail stands at {number(vcc, 3)} V at rest"
    return ""


def _joint_main(log: Log, board: Role | None) -> str:
    ohms = main_ohms(log, board) if board else None
    if ohms is None:
        return ""
    return f"resolder the board's supply input, switch and plug: about {number(ohms.value, 2)} Ω measured"


def _servo(log: Log, board: Role | None) -> str:
    sag = log.largest(f"{board}.servo_sag", "load_hunt") or log.largest(f"{board}.servo_droop", "supply")
    shown = f": the processor's rail falls by {number(sag.value, 2)} V when it moves" if sag else ""
    return f"supply the servo from the battery through its own regulator, grounds joined{shown}"


def _channel(log: Log, board: Role | None) -> str:
    quiet, busy = log.value("quiet_channel", "transceiver"), log.value("channel_busy", "transceiver")
    if quiet is None or busy is None:
        return ""
    return f"set both boards to channel {quiet:.0f}: the one in use is busy {number(busy, 2)} % of the time"


def _settings(log: Log, board: Role | None) -> str:
    found = log.one("settings_differ", "radio_link")
    return f"make the radio settings alike ({found.note})" if found is not None and found.note else ""


def _bounce(log: Log, board: Role | None) -> str:
    worst = [r.value for s in ("switch1", "switch2") for r in log.all(f"hand.{s}_bounce_ms", "controls")]
    if not worst:
        return ""
    wait = number(math.ceil(1.5 * max(worst)))
    return f"replace the switch, or let the program wait {wait} ms: it bounces for up to {number(max(worst), 2)} ms"


def _oscillator(log: Log, board: Role | None) -> str:
    error = log.value(f"{board}.oscillator_error", "identity")
    return f"replace the resonator: it is {number(error, 3)} ppm off" if error is not None else ""


def _serial(log: Log, board: Role | None) -> str:
    seen = log.board(board) if board else None
    if seen is None or not seen.damaged + seen.lost_events:
        return ""
    return f"use another cable or port, without a hub: {seen.damaged} of {seen.frames} frames came damaged"


_COMPUTED: Mapping[str, Callable[[Log, Role | None], str]] = {
    "capacitor": _capacitor,
    "joint_radio": _joint_radio,
    "regulator": _regulator,
    "source": _source,
    "joint_main": _joint_main,
    "servo_on_logic": _servo,
    "interference": _channel,
    "wrong_settings": _settings,
    "switch_bounce": _bounce,
    "oscillator": _oscillator,
    "serial_drops": _serial,
}
