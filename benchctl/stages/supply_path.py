"""Ohms of the processor's supply path, by small loads whose current is known."""

from __future__ import annotations

from benchctl.analysis.supply_rules import vcc_from_bandgap
from benchctl.errors import Refused
from benchctl.facts import SettingsRefused
from benchctl.session.board import Board
from benchctl.stages.contract import Context, ReadingSpec
from benchctl.stages.supply_bursts import settings_lost
from benchctl.terms import Interval, Limit, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, AdcSource, Function, Load

#: 125 kHz converter clock; conversions per mean
_SLOW, LOOKS, _GAP_US = 7, 120, 70
#: of the time from burst to burst that a 32-byte packet at 1 Mbps is on the air, and the mean of settling to send
SENDING_SHARE, SETTLING_MA = 0.67, 2.1
_SETTLE_S = 0.02
_EMPTIES_S = 0.2
PATH_MEASURES = (
    ReadingSpec(
        "sending_lost", "", "settings forgotten, packet after packet (1: yes)", Limit(max=0), "lower", 0.5, "",
        about="Whether the transceiver lost its settings under the hardest load, packets without a pause: its supply"
              " was gone. Usual: no.",
    ),
    ReadingSpec(
        "path_ohms", "ohm", "resistance of the supply's path", None, "lower", 1, "",
        about="Resistance from the source to the processor, worked out from sag and current; joints, switch and "
              "cable add up here. Usual: below 1 Ω (common practice, no source).",
    ),
)  # fmt: skip


def mean_code(board: Board, source: AdcSource) -> float:
    """Mean converter code over about 20 ms."""
    a = board.ask(msg.Adc(source=source, prescaler=_SLOW, count=LOOKS, gap_us=_GAP_US), timeout=1.0)
    return float(a.sum) / max(int(a.count), 1)


def path_ohms(ctx: Context, board: Board, rest: float, bandgap: float) -> None:
    """Reads the ohms while packet follows packet, the LED on top. rest: volts without both; bandgap: volts."""
    if board.wiring.pins.get(Function.LED, NO_PIN) == NO_PIN or board.servo_astray:
        return
    known = board.wiring.loads_ma
    milliamps = known.get("led", 9.0) + SENDING_SHARE * known.get("transmit", 11.3) + SETTLING_MA
    board.ask(msg.Load(load=Load.LED, on=1, strength=100))
    sag = rest - float(vcc_from_bandgap(mean_code(board, AdcSource.BAND_GAP), bandgap))
    board.ask(msg.Load(load=Load.LED, on=0, strength=0))
    # the band-gap's reading is good to half a step of the converter before and after
    step = rest**2 / (1024 * bandgap)
    ohms, half = max(0.0, 1000 * sag / milliamps), 1000 * step / milliamps
    interval = Interval(max(0.0, ohms - half), ohms + half)
    note = f"by the LED and steady sending, {milliamps:.0f} mA together"
    ctx.read(f"{board.role}.path_ohms", ohms, "ohm", LOOKS, interval, Source.ADC, note=note)


def measure_path(ctx: Context, board: Board, bandgap: float) -> None:
    """The same from rest; left out, with a note, where the transceiver refuses its settings or is the way to it."""
    if board.via:
        ctx.note(f"{board.role}: it cannot send all the time and be reached over the air; ohms of the path left out")
        return
    rest = float(vcc_from_bandgap(mean_code(board, AdcSource.BAND_GAP), bandgap))
    try:
        board.ask(msg.RadioApply(), timeout=1.0)
        board.events(msg.RadioLost)
        board.ask(msg.Load(load=Load.TRANSMIT, on=1, strength=3))
        ctx.wait(_SETTLE_S)
        path_ohms(ctx, board, rest, bandgap)
        # a regulator that gives too little takes its time to empty a large capacitor
        ctx.wait(_EMPTIES_S)
        board.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0))
        say_sending_lost(ctx, board)
    except Refused:
        ctx.note(SettingsRefused(board.role, "ohms of the supply path"))


def say_sending_lost(ctx: Context, board: Board) -> bool:
    """Whether the transceiver forgot its settings while packet followed packet, by the board's word or its own."""
    lost = bool(board.events(msg.RadioLost)) or settings_lost(board)
    ctx.read(f"{board.role}.sending_lost", int(lost), "", 1)
    return lost
