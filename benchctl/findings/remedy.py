"""Remedies with numbers, computed from the run's readings where physics allows; else the table's own words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from benchctl.facts import HEADER, JointLoose, LineBroken, ModuleWired, SettingDiffers, SupplyDeclared
from benchctl.findings.causes import Cause
from benchctl.findings.record import BUSY_PCT, RecordQuery, surely_above
from benchctl.findings.supply_evidence import LOW_SHARE, main_ohms
from benchctl.terms import Reading, Role, Verdict
from benchctl.units import number

#: a burst at 1 Mbps with 32 bytes: 130 µs of settling and 329 µs on the air (Product Specification, sections 6.1, 7.3)
BURST_MS = 0.46
#: dip that is allowed at the transceiver, V; of it, what the capacitor's charge and its series resistance may have
ALLOWED_V, BY_CHARGE_V, BY_ESR_V = 0.3, 0.2, 0.1
#: values that capacitors are sold in, µF (E6 of IEC 60063 in the usual range)
_SIZES = (1, 2.2, 3.3, 4.7, 6.8, 10, 15, 22, 33, 47, 68, 100, 150, 220, 330, 470, 680, 1000)
#: listening and sending at 0 dBm, mA (Product Specification, table 4); headroom for the rest of a rail
_LISTEN_MA, _SEND_MA = 13.5, 11.3


def needed_uf(load_ma: float, burst_ms: float = BURST_MS, allowed_v: float = BY_CHARGE_V) -> float:
    """Capacity that carries a whole burst: C = I·t/ΔV. What the regulator gives meanwhile is reserve.

    So a board has one answer, whatever its slopes were measured to be.
    """
    return load_ma * burst_ms / allowed_v


def size_uf(needed: float) -> float:
    """The value to buy: the smallest of E6 that is no less than what is needed."""
    return next((float(s) for s in _SIZES if s >= needed), float(_SIZES[-1]))


def remedy(record: RecordQuery, cause: Cause, board: Role | None) -> str:
    """What to change: part, place, value. Without full stop."""
    computed = _COMPUTED.get(cause.name)
    text = computed(record, board) if computed is not None else ""
    return text or cause.remedy


def _capacitor(record: RecordQuery, board: Role | None) -> str:
    dip = record.value(f"{board}.transmit_dip", "supply")
    load = record.value(f"{board}.transmit_load", "supply")
    if load is None:
        return ""
    need, bulk = needed_uf(load), record.value(f"{board}.transmit_bulk", "supply")
    esr = record.one(f"{board}.transmit_esr", "supply")
    seen = f"; measured dip {number(dip, 2)} V" if dip is not None else ""
    seen += f", effective {number(bulk, 2)} µF" if bulk is not None else ""
    seen += (
        f", {number(esr.value, 2)} Ω in series" if esr is not None and surely_above(esr, BY_ESR_V / load * 1e3) else ""
    )
    return (
        f"fit {number(size_uf(need))} µF, or more, of at most {number(_down(1e3 * BY_ESR_V / load))} Ω series "
        f"resistance directly at the transceiver's supply pins (I·t/ΔV = {load:.0f} mA · {BURST_MS} ms / "
        f"{BY_CHARGE_V} V = {number(need, 3)} µF, the next of E6){seen}"
    )


def _down(value: float) -> float:
    """Two digits, rounded down: what may be at most."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.floor(value / step + 1e-9) * step


#: ohms: below it the short is a bridge of metal, above it a part (judgement; a meter's leads have some tenths)
_BRIDGE = 2.0


def _short(record: RecordQuery, board: Role | None) -> str:
    shorted = [r for rail in ("main", "radio") for r in record.all(f"{board}.{rail}_ohms", "before_power")]
    worst = min(shorted, key=lambda r: r.value, default=None)
    if worst is None:
        return ""
    main = worst.name == f"{board}.main_ohms"
    where = "processor's supply" if main else "transceiver's supply"
    parts = "regulator, USB chip and servo header" if main else "transceiver header, regulator and bulk capacitor"
    if worst.value < _BRIDGE:
        look = f"a bridge of solder or a whisker of wire between the rail and ground; look first at the {parts}"
    else:
        look = f"a part that conducts: a capacitor or chip the wrong way round or burnt, among {parts}"
    return f"do not power the board: its {where} has {number(worst.value, 2)} Ω to ground, {look}"


def _joint_radio(record: RecordQuery, board: Role | None) -> str:
    ohms = record.value(f"{board}.transmit_source", "supply")
    if ohms is None or not ohms > 0:
        return ""
    load = record.value(f"{board}.transmit_load", "supply") or _SEND_MA
    return (
        f"resolder the supply line of the transceiver: about {number(ohms, 2)} Ω between regulator and pins, which "
        f"cost {number(1e-3 * ohms * load, 2)} V at {load:.0f} mA as long as it flows; no capacitor brings that back"
    )


def _regulator(record: RecordQuery, board: Role | None) -> str:
    load = record.value(f"{board}.transmit_load", "supply") or _SEND_MA
    need = max(load, _LISTEN_MA) + _LISTEN_MA
    volts = record.value(f"{board}.radio_volts", "supply")
    shown = f"; the rail stands at {number(volts, 3)} V" if volts is not None and volts < 3.1 else ""
    return (
        f"use a 3.3 V regulator for at least {number(math.ceil(need / 50) * 50)} mA plus what else hangs on its rail, "
        f"or move those loads to another one{shown}"
    )


def _source(record: RecordQuery, board: Role | None) -> str:
    ohms, vcc = main_ohms(record, board) if board else None, record.value(f"{board}.vcc", "supply")
    if ohms is not None and ohms.value > 0.5:
        amps = max(LEAST_A, _drawn(record, board, ohms))
        most = number(_down(ALLOWED_V / amps))
        return (
            f"use a shorter, thicker cable or a stronger source: {number(ohms.value, 2)} Ω measured; for a sag of "
            f"{ALLOWED_V} V at the {number(1e3 * amps, 2)} mA that flow it must be below {most} Ω"
        )
    declared = record.fact(SupplyDeclared, "supply", board=board)
    if vcc is not None and declared is not None and vcc < LOW_SHARE * declared.volts:
        return f"use a stronger source: the processor's rail stands at {number(vcc, 3)} V at rest"
    return ""


#: a board with its servo still and its LED on draws less than this (judgement)
LEAST_A = 0.3


def _drawn(record: RecordQuery, board: Role | None, ohms: Reading) -> float:
    """The most that flowed, A: the deepest sag that a load was seen to make, through the least that the ohms can be."""
    names = ("servo_sag", "sending_sag", "led_sag", "servo_droop")
    sags = [r.value for name in names for r in record.all(f"{board}.{name}", "supply", "load_hunt")]
    least = max(ohms.interval.low, 0.1) if ohms.interval is not None else ohms.value
    return max(sags, default=0.0) / least


def _line(name: str, what: str) -> Callable[[RecordQuery, Role | None], str]:
    """A line by both its ends, from the declared wiring."""

    def told(record: RecordQuery, board: Role | None) -> str:
        wired = record.fact(ModuleWired, "transceiver", board=board)
        return what.format(line=wired.wire(name)) if wired is not None else ""

    return told


def _loose(record: RecordQuery, board: Role | None) -> str:
    found = record.facts(JointLoose, "press_parts", board=board)
    places = dict.fromkeys(f.shows.joint for f in found)
    return f"resolder {'; and '.join(places)}" if places else ""


def _two_lines(what: str) -> Callable[[RecordQuery, Role | None], str]:
    """Two lines of the module's header, each with its pin, as the test of the lines named them."""

    def told(record: RecordQuery, board: Role | None) -> str:
        found = record.fact(LineBroken, "transceiver", board=board)
        if found is None or found.two is None:
            return ""
        one, other = (f"{line} (pin {HEADER[line]})" for line in found.two)
        return what.format(one=one, other=other)

    return told


_JOINTS = "check the joints of {line}: open, or bridged to a neighbour"


def _joint_main(record: RecordQuery, board: Role | None) -> str:
    ohms = main_ohms(record, board) if board else None
    if ohms is None:
        return ""
    return f"resolder the board's supply input, switch and plug: about {number(ohms.value, 2)} Ω measured"


def _servo(record: RecordQuery, board: Role | None) -> str:
    sag = record.largest(f"{board}.servo_sag", "load_hunt") or record.largest(f"{board}.servo_droop", "supply")
    shown = f": the processor's rail falls by {number(sag.value, 2)} V when it moves" if sag else ""
    return f"supply the servo from the battery through its own regulator, grounds joined{shown}"


def _channel(record: RecordQuery, board: Role | None) -> str:
    quiet, busy = record.value("quiet_channel", "transceiver"), record.one("channel_busy", "transceiver")
    if quiet is None or busy is None:
        return ""
    if surely_above(busy, BUSY_PCT) is False:
        return (
            f"keep the channel, measured quiet ({number(busy.value, 2)} % busy); find who sends now and then, "
            "and scan again while packets are lost"
        )
    return f"set both boards to channel {quiet:.0f}: the one in use is busy {number(busy.value, 2)} % of the time"


def _settings(record: RecordQuery, board: Role | None) -> str:
    differ = record.facts(SettingDiffers, "radio_link")
    return f"make the radio settings alike ({'; '.join(f.sentence() for f in differ)})" if differ else ""


def _bounce(record: RecordQuery, board: Role | None) -> str:
    worst = [r.value for s in ("switch1", "switch2") for r in record.all(f"hand.{s}_bounce_ms", "controls")]
    if not worst:
        return ""
    wait = number(math.ceil(1.5 * max(worst)))
    return f"replace the switch, or let the program wait {wait} ms: it bounces for up to {number(max(worst), 2)} ms"


def _pull(record: RecordQuery, board: Role | None) -> str:
    told = []
    for switch in ("switch1", "switch2"):
        found = record.one(f"hand.{switch}_pull_ma", "controls")
        volts = record.value("hand.vcc", "supply")
        if found is not None and found.verdict is Verdict.FAIL and found.value > 0 and volts is not None:
            told.append(f"{switch}, whose pull is about {number(1e3 * volts / found.value, 2)} Ω")
    return f"fit 10 kΩ at {' and '.join(told)}" if told else ""


def _oscillator(record: RecordQuery, board: Role | None) -> str:
    error = record.value(f"{board}.oscillator_error", "identity")
    return f"replace the resonator: it is {number(error, 3)} ppm off" if error is not None else ""


def _serial(record: RecordQuery, board: Role | None) -> str:
    seen = record.board(board) if board else None
    if seen is None or not seen.damaged + seen.lost_events:
        return ""
    return f"use another cable or port, without a hub: {seen.damaged} of {seen.frames} frames came damaged"


_COMPUTED: Mapping[str, Callable[[RecordQuery, Role | None], str]] = {
    "rail_short": _short,
    **{f"line_{name}": _line(name.upper(), _JOINTS) for name in ("miso", "mosi", "sck", "ce", "irq")},
    "line_csn": _line("CSN", "look for a bridge to ground, or to a neighbour, along {line}"),
    "line_bridged": _two_lines("take off the solder that joins {one} and {other} of the transceiver's header"),
    "line_data_swapped": _two_lines("exchange the wires at {one} and {other} of the module's header"),
    "no_transceiver": _line("CSN", "plug the module in fully; check its supply, and for a break {line}"),
    "loose_joint": _loose,
    "capacitor": _capacitor,
    "joint_radio": _joint_radio,
    "regulator": _regulator,
    "source": _source,
    "joint_main": _joint_main,
    "servo_on_logic": _servo,
    "interference": _channel,
    "wrong_settings": _settings,
    "switch_bounce": _bounce,
    "switch_pull": _pull,
    "oscillator": _oscillator,
    "serial_drops": _serial,
}
