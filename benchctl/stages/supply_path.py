"""Ohms of the processor's supply path, by small loads whose current is known."""

from __future__ import annotations

from benchctl.analysis.supply_rules import vcc_from_bandgap
from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.stages.contract import Context
from benchctl.terms import Interval, Source
from benchctl.wire.catalogue import NO_PIN, AdcSource, Function, Load

#: 125 kHz converter clock; conversions per mean
_SLOW, LOOKS, _GAP_US = 7, 120, 70
#: of the time from burst to burst that a 32-byte packet at 1 Mbps is on the air, and the mean of settling to send
SENDING_SHARE, SETTLING_MA = 0.67, 2.1
_SETTLE_S = 0.02


def mean_code(board: Board, source: AdcSource) -> float:
    """Mean converter code over about 20 ms."""
    a = board.ask("adc", source=source, prescaler=_SLOW, count=LOOKS, gap_us=_GAP_US, timeout=1.0)
    return float(a.sum) / max(int(a.count), 1)


def path_ohms(ctx: Context, board: Board, rest: float, bandgap: float) -> None:
    """Reads the ohms while packet follows packet, the LED on top. rest: volts without both; bandgap: volts."""
    if board.declared.pins.get(Function.LED, NO_PIN) == NO_PIN:
        return
    known = board.declared.loads_ma
    milliamps = known.get("led", 9.0) + SENDING_SHARE * known.get("transmit", 11.3) + SETTLING_MA
    board.ask("load", load=Load.LED, on=1, strength=100)
    sag = rest - float(vcc_from_bandgap(mean_code(board, AdcSource.BAND_GAP), bandgap))
    board.ask("load", load=Load.LED, on=0, strength=0)
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
        board.ask("radio_apply", timeout=1.0)
        board.ask("load", load=Load.TRANSMIT, on=1, strength=3)
        ctx.wait(_SETTLE_S)
        path_ohms(ctx, board, rest, bandgap)
        board.ask("load", load=Load.TRANSMIT, on=0, strength=0)
    except Refused:
        ctx.note(f"{board.role}: the transceiver does not take its settings; ohms of the supply path left out")
