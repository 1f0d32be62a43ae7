"""The transceiver's rail under one transmission: single bursts where it forgets its settings, slopes, what listens."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.contract import Context
from benchctl.stages.transceiver_lines import spi
from benchctl.terms import Source
from benchctl.wire import msg
from benchctl.wire.catalogue import AdcSource, LinkMode, Load

Floats = npt.NDArray[np.float64]
#: power-on address (Product Specification, table 28); the boards' own address differs from it
_POWER_ON_ADDRESS = bytes((0xE7,) * 5)
#: a transceiver that has lost its supply needs up to 100 ms (power-on reset, table 17) before it can be set up again
_AGAIN_S, _TRIES = 0.03, 5
#: a regulator that gives a few mA too little takes this long to empty a large capacitor
_LISTEN_S = 0.25
#: looks whether listening makes it forget its settings, and the rest in between
_LISTENS, _REST_S = 4, 0.15
#: single bursts: coarse over the whole, fine where the rail falls after the 130 µs of settling
_SINGLE_US = (*range(0, 120, 20), *range(120, 240, 4), *range(240, 700, 20))
#: a dip below this says nothing about slopes
_LEAST_DIP_V = 0.06


def settings_lost(board: Board) -> bool:
    """Whether the transceiver is back at its power-on address, or answers nothing at all."""
    found = spi(board, nrf.READ | nrf.TX_ADDR, *([nrf.NOP] * 5))[1:6]
    return found == _POWER_ON_ADDRESS or found in (bytes(5), b"\xff" * 5)


def single_bursts(
    ctx: Context, board: Board, per_count: float, settle_ms: int, prescaler: int
) -> tuple[Floats, Floats]:
    """(µs, volts) of the rail, one freshly set-up transmission per point: nothing depends on the one before."""
    rows = []
    for at in _SINGLE_US:
        code = _one_burst(ctx, board, at, settle_ms, prescaler)
        if code is not None:
            rows.append((float(at), code * per_count))
    table = np.array(rows, np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _one_burst(ctx: Context, board: Board, at_us: int, settle_ms: int, prescaler: int) -> int | None:
    for _ in range(_TRIES):
        ctx.wait(_AGAIN_S)
        board.events(msg.DroopRows)
        try:
            board.ask(
                msg.Droop(
                    load=Load.TRANSMIT,
                    source=AdcSource.SENSE_RAIL,
                    first_us=at_us,
                    step_us=20,
                    points=1,
                    repeats=1,
                    settle_ms=settle_ms,
                    prescaler=prescaler,
                )
            )
        except Refused:
            continue
        board.wait_done(msg.Droop, 1.0)
        rows = [row for event in board.events(msg.DroopRows) for row in event.rows]
        return rows[0].sum if rows else None
    return None


@dataclass(frozen=True, slots=True)
class Burst:
    """What the slopes say. dip: V below rest. bulk: µF. delivered: mA that the regulator gives during the burst."""

    dip: float
    lowest: float
    bulk: float
    delivered: float


def slopes(times: Floats, volts: Floats, rest: float, amps: float, until_us: float) -> Burst:
    """Bulk capacity and the regulator's current from how fast the rail falls and how fast it comes back.

    While it falls the capacitor gives what the regulator does not; while it comes back, with the load gone, the
    regulator's whole limit fills it: I = C·(fall + rise), limit = C·rise. A rail that comes back while the load is
    still on has a regulator that can deliver it and was only late. NaN where the dip is too small to say.
    """
    low = int(np.argmin(volts))
    lowest, dip = float(volts[low]), rest - float(volts[low])
    if dip < _LEAST_DIP_V or low == 0:
        return Burst(max(0.0, dip), lowest, math.nan, math.nan)
    fall = _slope(times[: low + 1], volts[: low + 1], rest, dip)
    if times[low] < 0.8 * until_us and _level(times, volts, until_us) > lowest + 0.3 * dip and lowest > 2.0:
        return Burst(dip, lowest, 1e3 * amps / fall if fall > 0 else math.nan, 1e3 * amps)
    rise = _slope(times[low:][::-1], volts[low:][::-1], rest, dip)
    if not fall > 0 or not rise > 0:
        return Burst(dip, lowest, math.nan, math.nan)
    bulk = amps * 1e3 / (fall + rise)
    return Burst(dip, lowest, bulk, bulk * rise)


def _level(times: Floats, volts: Floats, at: float) -> float:
    return float(np.interp(at - 20.0, times, volts))


def _slope(times: Floats, volts: Floats, rest: float, dip: float) -> float:
    """mV/µs between the last point above 80 % and the first below 20 % of the way down; NaN where not passed."""
    above, below = np.flatnonzero(volts > rest - 0.2 * dip), np.flatnonzero(volts < rest - 0.8 * dip)
    if not len(above) or not len(below):
        return math.nan
    a = int(above[-1])
    b = int(below[below > a][0]) if (below > a).any() else len(volts) - 1
    if a == b:
        return math.nan
    return 1e3 * float(volts[a] - volts[b]) / abs(float(times[b] - times[a]))


def listening_codes(ctx: Context, board: Board, prescaler: int) -> float | None:
    """Mean converter code of the rail while the transceiver listens and draws 13 mA steadily; None if it cannot."""
    board.events(msg.RadioLost)
    try:
        board.ask(msg.RadioApply(), timeout=1.0)
        board.ask(msg.LinkStart(mode=LinkMode.RECEIVE, test=0x70, count=0, interval_us=2000, payload=8))
    except Refused:
        return None
    try:
        ctx.wait(_LISTEN_S)
        a = board.ask(msg.Adc(source=AdcSource.SENSE_RAIL, prescaler=prescaler, count=64, gap_us=0), timeout=2.0)
    finally:
        board.ask(msg.LinkStop(), timeout=1.0)
    return float(a.sum) / max(int(a.count), 1)


def listening_lost(ctx: Context, board: Board, prescaler: int) -> None:
    """How often it has forgotten its settings; looked at again where it has, for steady causes do it every time."""
    lost, looks = int(_forgotten(board)), 1
    while lost and looks < _LISTENS:
        ctx.wait(_REST_S)
        if listening_codes(ctx, board, prescaler) is None:
            break
        lost, looks = lost + int(_forgotten(board)), looks + 1
    note = f"times of {looks} that the transceiver forgot its settings listening"
    ctx.read(f"{board.role}.listening_lost", lost, "", looks, source=Source.COUNTING, note=note)


def _forgotten(board: Board) -> bool:
    """By the transceiver's own word, or the firmware's, which may have set it up again meanwhile."""
    return bool(board.events(msg.RadioLost)) or settings_lost(board)
