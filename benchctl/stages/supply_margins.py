"""How far the lowest supply seen is above what resets the chip, and what its clock needs."""

from __future__ import annotations

import math

from benchctl.analysis.fuses import fuses
from benchctl.analysis.supply_rules import margins
from benchctl.facts import SupplyDeclared
from benchctl.session.board import Board
from benchctl.stages.contract import Context
from benchctl.terms import Interval, Source
from benchctl.wire import msg

_FUSES = {4.3: "100", 2.7: "101", 1.8: "110", 0.0: "111"}


def say_margins(ctx: Context, board: Board, lowest: float, reference: float) -> None:
    """reference: relative uncertainty of the volts, which is also the margins'."""
    if (wanted := board.wiring.facts.supply.logic_v) is not None:
        ctx.note(SupplyDeclared(board.role, wanted))
    vitals = board.ask(msg.Vitals())
    if vitals.lowest_vcc_mv:
        lowest = min(lowest, vitals.lowest_vcc_mv / 1000)
    half = reference * lowest

    def about(value: float) -> Interval:
        return Interval(value - half, value + half)

    ctx.read(f"{board.role}.lowest_vcc", lowest, "V", 1, about(lowest), Source.ADC, note="lowest seen, loads switched")
    fused = fuses(board.identity.fuses).brown_out_v if board.identity is not None else None
    level = board.wiring.brown_out_v if fused is None else fused
    mhz = (board.identity.clock_hz if board.identity else 16_000_000) / 1e6
    if level is not None:
        note = "as fused" if level else "as fused: off"
        # at 8 MHz the chip still works at the lowest level's 1.8 V, nearly: the speed margin says how far it is
        ctx.read(f"{board.role}.brown_out_level", level, "V", 1, note=note, limited=mhz > 8 or not level)
    room = margins(lowest, mhz, _FUSES[level or 0.0])
    ctx.read(
        f"{board.role}.speed_margin", room.speed, "V", 1, about(room.speed), Source.ADC,
        note=f"above the least for {mhz:g} MHz",
    )  # fmt: skip
    if level is None:
        ctx.note(
            f"{board.role}: nobody has said at which level the fuses reset it (board.{board.role}.supply.brown_out_v)"
        )
    elif math.isfinite(room.brown_out):
        ctx.read(
            f"{board.role}.brown_out_margin",
            room.brown_out,
            "V",
            1,
            about(room.brown_out),
            Source.ADC,
            note=f"above the highest level at which a {level:g} V detector may reset",
        )
    else:
        ctx.note(f"{board.role}: the brown-out detector is off; a sagging supply can corrupt memory", "warning")
    if room.speed >= 0 and room.careful < 0:
        ctx.note(f"{board.role}: below the 4.5 V that the automotive data sheet wants for 16 MHz", "warning")
    if level and not room.guarded:
        ctx.note(
            f"{board.role}: the {level:g} V detector resets only after the supply has left the range for {mhz:g} MHz"
        )
