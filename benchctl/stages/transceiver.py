"""Transceiver: registers, lines, variant; then how busy every channel is, and which one to use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchctl.analysis.spectrum import humps, occupancy, quietest_channel
from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.transceiver_lines import Lines, broken_line, examine, spi
from benchctl.terms import Limit, Role, Source

_CHANNELS = 126
#: before a second look at what seems broken: power-on reset takes up to 100 ms (Product Specification, table 17)
_WAKE_S = 0.12
_RATES = {"250k": 250_000, "1M": 1_000_000, "2M": 2_000_000}


def perform(ctx: Context) -> None:
    near = []
    for board in map(ctx.board, (Role.HAND, Role.CRAFT)):
        if board.via:
            ctx.note(f"{board.role}: its transceiver carries the talk over the air and so works; not examined further")
            board.hold(True)
            ctx.cleanup.callback(board.hold, False)
        else:
            near.append(board)
    whole = [board for board in near if _examine(ctx, board)]
    if whole:
        _scan(ctx, whole)


def _examine(ctx: Context, board: Board) -> bool:
    """The lines and registers of one board; False when its transceiver is of no use."""
    ctx.progress(0, 0, f"{board.role}: lines and registers")
    seen, line, sentence = _looked_at_twice(ctx, board)
    ctx.read(f"{board.role}.wrong_bits", seen.wrong_bits, "", seen.bits, note="written and read back")
    ctx.read(f"{board.role}.status_byte", seen.status, "", note="STATUS as first read")
    if line:
        ctx.fail(f"{board.role}: {sentence}")
        ctx.note(f"{board.role}: transceiver line {line}", "warning")
        return False
    _note_registers(ctx, board, seen)
    _note_variant(ctx, board)
    try:
        answer = board.ask("radio_apply", timeout=1.0)
    except Refused as e:
        ctx.fail(f"{board.role}: the transceiver does not take its settings: {e}")
        return False
    ctx.read(f"{board.role}.settings_wrong", answer.wrong, "", note="registers that differ from what was set")
    return bool(answer.wrong == 0)


def _looked_at_twice(ctx: Context, board: Board) -> tuple[Lines, str, str]:
    """A broken line is broken the next time too; what is not was the supply, or a contact, for a moment."""
    first = examine(board, ctx.wait)
    line, sentence = broken_line(first)
    if not line:
        return first, line, sentence
    ctx.wait(_WAKE_S)
    again = examine(board, ctx.wait)
    if broken_line(again)[0]:
        # the first look had the transceiver as it was found; this one finds what that left behind
        return first, line, sentence
    ctx.note(f"{board.role}: the transceiver comes and goes: line {line} seemed broken, then was not", "warning")
    return again, "", ""


def _note_registers(ctx: Context, board: Board, seen: Lines) -> None:
    odd = [f"{r.name} {seen.registers[r.name]:02X}" for r in nrf.REGISTERS if seen.registers[r.name] != r.reset]
    identity = board.identity
    fresh = identity is not None and identity.cause == "power on"
    ctx.read(f"{board.role}.not_at_reset", len(odd), "", len(nrf.REGISTERS), note="differ from power-on values")
    if odd and fresh:
        ctx.note(f"{board.role}: not at power-on values although just powered: {', '.join(odd)}")


def _note_variant(ctx: Context, board: Board) -> None:
    """The plus variant has 250 kbps (RF_DR_LOW can be set) and FEATURE open to writing without activation."""
    spi(board, nrf.WRITE | nrf.RF_SETUP, 0x26)
    low_rate = spi(board, nrf.READ | nrf.RF_SETUP, nrf.NOP)[1] & 0x20
    spi(board, nrf.WRITE | nrf.RF_SETUP, 0x0E)
    spi(board, nrf.WRITE | nrf.FEATURE, 0x07)
    feature = spi(board, nrf.READ | nrf.FEATURE, nrf.NOP)[1] & 0x07
    spi(board, nrf.WRITE | nrf.FEATURE, 0x00)
    plus = bool(low_rate) and feature == 0x07
    other = "a copy of the nRF24L01+" if low_rate else "an older nRF24L01, without 250 kbps"
    kind = "an nRF24L01+" if plus else other
    ctx.read(f"{board.role}.plus_variant", int(plus), "", note=kind)
    ctx.note(f"{board.role}: transceiver behaves as {kind}")


def _scan(ctx: Context, boards: Sequence[Board]) -> None:
    """Boards with a whole transceiver listen in turn; the scan tells where others are, never who they are."""
    sweeps, dwell = ctx.count("scan_sweeps"), ctx.count("scan_dwell_us")
    rate = _RATES[ctx.word("rate")]
    advice = []
    for board in boards:
        role = board.role
        ctx.progress(0, 0, f"{role}: listening on all channels")
        hits, tries = _sweep(ctx, board, sweeps, dwell)
        scan = occupancy(hits, tries)
        columns = {"channel": "", "busy": "%", "low": "%", "high": "%"}
        rows = [[s.channel, 100 * s.share, 100 * s.interval.low, 100 * s.interval.high] for s in scan]
        ctx.samples(f"{role}_scan", "scan", columns, np.array(rows))
        for hump in humps(scan):
            wifi = f", like Wi-Fi channel {hump.wifi}" if hump.wifi else ""
            ctx.note(f"{role}: channels {hump.first} to {hump.last} are busy{wifi}")
        advice.append(hits)
    looks = len(boards) * sweeps
    both = occupancy(np.sum(advice, axis=0), np.full(_CHANNELS, looks))
    best = quietest_channel(both, rate=rate)
    ctx.read("quiet_channel", best.channel, "", looks, note="least energy over the packet's width")
    used = boards[0].read_setting("radio_channel")
    in_use = both[int(used)]
    ctx.read(
        "channel_busy",
        100 * in_use.share,
        "%",
        looks,
        in_use.interval.scaled(100),
        Source.COUNTING,
        note=f"channel {used}, as set; quietest is {best.channel}",
    )


def _sweep(ctx: Context, board: Board, sweeps: int, dwell_us: int) -> tuple[np.ndarray, np.ndarray]:
    board.ask("energy_scan", first=0, last=_CHANNELS - 1, dwell_us=dwell_us, sweeps=sweeps)
    # each channel also needs settling and a few SPI transactions
    board.wait_done("energy_scan", 2.0 + sweeps * _CHANNELS * (dwell_us + 500.0) * 1e-6)
    hits, tries = np.zeros(_CHANNELS, np.int64), np.zeros(_CHANNELS, np.int64)
    for event in board.events("scan"):
        for offset, (busy,) in enumerate(event.rows):
            channel = event.first + offset
            if channel < _CHANNELS:
                hits[channel] += busy != 0
                tries[channel] += 1
    if tries.min() == 0:
        ctx.doubt(f"the {board.role} board's scan left out {int((tries == 0).sum())} channels")
    return hits, np.maximum(tries, 1)


STAGE = Stage(
    kind="transceiver",
    title="Transceiver",
    instruction="Registers, lines and the air around; nothing to do.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity",)),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("scan_sweeps", 40, "sweeps over all channels by each board", "", 1, 2000),
        Parameter("scan_dwell_us", 200, "listening time per channel; the detector needs 170", "us", 170, 20000),
        Parameter("rate", "1M", "data rate for which the quiet channel is sought", choices=tuple(_RATES)),
    ),
    measures=(
        Measure("wrong_bits", "", "bits that did not read back as written", Limit(max=0), "lower", 0.5, ""),
        Measure("status_byte", "", "STATUS as first read", None, "same", 255, ""),
        Measure("settings_wrong", "", "registers that differ from what was set", Limit(max=0), "lower", 0.5, ""),
        Measure("not_at_reset", "", "registers that were not at power-on values", None, "same", 30, ""),
        Measure("plus_variant", "", "1: behaves as an nRF24L01+", None, "higher", 0.5, ""),
        Measure("quiet_channel", "", "quietest channel", None, "same", 126, ""),
        Measure("channel_busy", "%", "time the channel in use was busy", Limit(max=20.0), "lower", 5.0, ""),
    ),
    expected_s=lambda p: 3.0 + 2 * float(p["scan_sweeps"]) * _CHANNELS * (float(p["scan_dwell_us"]) + 300) * 1e-6,
)
