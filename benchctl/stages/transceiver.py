"""Transceiver: registers, lines, variant; then how busy every channel is, and which one to use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchctl.analysis.spectrum import humps, occupancy, quietest_channel
from benchctl.errors import Refused
from benchctl.facts import ComesAndGoes, Line, LineBroken, ModuleWired, SettingsRefused, Variant, VariantFound
from benchctl.pairfile.pins import shown
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.contract import RADIO_LINES, Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.link_run import RATES
from benchctl.stages.transceiver_lines import Lines, broken_line, examine, spi
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import ADDRESS_LOW

#: channels of the transceiver (Product Specification, section 6.3)
ALL_CHANNELS = 126
#: before a second look at what seems broken: power-on reset takes up to 100 ms (Product Specification, table 17)
_WAKE_S = 0.12
_SLOW = "radio_spi_slow"


def perform(ctx: Context) -> None:
    near = []
    for board in map(ctx.board, (Role.HAND, Role.CRAFT)):
        if board.via:
            ctx.note(f"{board.role}: its transceiver carries the talk over the air and so works; not examined further")
            board.pause(True)
            ctx.cleanup.callback(board.pause, False)
        else:
            near.append(board)
    whole = []
    for board in near:
        with ctx.tolerating(board):
            if _examine(ctx, board):
                whole.append(board)
    if whole:
        _scan(ctx, whole)


def _examine(ctx: Context, board: Board) -> bool:
    """The lines and registers of one board; False when its transceiver is of no use."""
    ctx.progress(0, 0, f"{board.role}: lines and registers")
    ports = (board.wiring.facts.pin(name) for name in ("radio_ce", "radio_csn", "radio_irq"))
    ctx.establish(ModuleWired(board.role, *(shown(port) if port else "" for port in ports)))
    untouched = _untouched(board)
    seen, line = _looked_at_twice(ctx, board)
    ctx.read(f"{board.role}.wrong_bits", seen.wrong_bits, "", seen.bits, note="written and read back")
    ctx.read(f"{board.role}.status_byte", seen.status, "", note="STATUS as first read")
    if line is not None:
        ctx.fail(LineBroken(board.role, line, seen.two, seen.wrong_bits, seen.bits))
        return False
    _note_registers(ctx, board, seen, untouched)
    _note_variant(ctx, board)
    try:
        answer = board.ask(msg.RadioApply(), timeout=1.0)
    except Refused as e:
        ctx.fail(SettingsRefused(board.role))
        ctx.fail_by(e)
        return False
    ctx.read(f"{board.role}.settings_wrong", answer.wrong, "", note="registers that differ from what was set")
    return bool(answer.wrong == 0)


def _looked_at_twice(ctx: Context, board: Board) -> tuple[Lines, Line | None]:
    """A broken line is broken the next time too; what is not was the supply, or a contact, for a moment."""
    first = examine(board, ctx.wait)
    line = broken_line(first)
    if line is None:
        return first, None
    ctx.wait(_WAKE_S)
    again = examine(board, ctx.wait)
    if broken_line(again) is not None:
        slow = _at_2_mhz(ctx, board)
        # the first look had the transceiver as it was found; this one finds what that left behind
        return (first, line) if slow is None else (slow, None)
    ctx.note(ComesAndGoes(board.role, line), "warning")
    return again, None


def _at_2_mhz(ctx: Context, board: Board) -> Lines | None:
    """What is seen with the bus at 2 MHz, where that helps; the board then stays at it, and nothing is broken."""
    if board.read_setting(_SLOW):
        return None
    board.write_setting(_SLOW, 1)
    seen = examine(board, ctx.wait)
    if broken_line(seen) is not None:
        board.write_setting(_SLOW, 0)
        return None
    board.save_settings()
    ctx.note(
        f"{board.role}: its transceiver answers at 2 MHz only, not at half the processor's clock: long wires, or a bad "
        f"joint on SCK, MOSI or MISO; the board stays at 2 MHz",
        "warning",
    )
    return seen


def _untouched(board: Board) -> bool:
    """The board has just been powered, and nothing has set its transceiver up since."""
    powered = board.identity is not None and board.identity.cause == "power on"
    return powered and not board.ask(msg.Vitals()).radio_ok


def _own_address(board: Board) -> int:
    """TX_ADDR as the probe writes it; a transceiver that has it was set up before, by an earlier stage or run."""
    return int(board.read_setting("radio_address")) << 8 | ADDRESS_LOW


def _note_registers(ctx: Context, board: Board, seen: Lines, untouched: bool) -> None:
    odd = [f"{r.name} {seen.registers[r.name]:02X}" for r in nrf.REGISTERS if seen.registers[r.name] != r.reset]
    ctx.read(f"{board.role}.not_at_reset", len(odd), "", len(nrf.REGISTERS), note="differ from power-on values")
    if odd and untouched and seen.registers["TX_ADDR"] != _own_address(board):
        ctx.note(f"{board.role}: not at power-on values although just powered: {', '.join(odd)}")


def _note_variant(ctx: Context, board: Board) -> None:
    """The plus variant has 250 kbps (RF_DR_LOW can be set) and FEATURE open to writing without activation."""
    spi(board, nrf.WRITE | nrf.RF_SETUP, 0x26)
    low_rate = spi(board, nrf.READ | nrf.RF_SETUP, nrf.NOP)[1] & 0x20
    spi(board, nrf.WRITE | nrf.RF_SETUP, 0x0E)
    spi(board, nrf.WRITE | nrf.FEATURE, 0x07)
    feature = spi(board, nrf.READ | nrf.FEATURE, nrf.NOP)[1] & 0x07
    spi(board, nrf.WRITE | nrf.FEATURE, 0x00)
    other = Variant.COPY if low_rate else Variant.OLDER
    variant = Variant.PLUS if low_rate and feature == 0x07 else other
    ctx.read(f"{board.role}.plus_variant", int(variant is Variant.PLUS), "")
    ctx.note(VariantFound(board.role, variant))


def _scan(ctx: Context, boards: Sequence[Board]) -> None:
    """Boards with a whole transceiver listen in turn; the scan tells where others are, never who they are."""
    sweeps, dwell = ctx.count("scan_sweeps"), ctx.count("scan_dwell_us")
    rate = RATES[ctx.word("rate")]
    advice = []
    for board in boards:
        role = board.role
        ctx.progress(0, 0, f"{role}: listening on all channels")
        hits, tries = sweep(ctx, board, sweeps, dwell)
        scan = occupancy(hits, tries)
        columns = {"channel": "", "busy": "%", "low": "%", "high": "%"}
        rows = [[s.channel, 100 * s.share, 100 * s.interval.low, 100 * s.interval.high] for s in scan]
        ctx.samples(f"{role}_scan", "scan", columns, np.array(rows), ctx.picture("how busy each channel was", role))
        for hump in humps(scan):
            wifi = f", like Wi-Fi channel {hump.wifi}" if hump.wifi else ""
            ctx.note(f"{role}: channels {hump.first} to {hump.last} are busy{wifi}")
        advice.append(hits)
    looks = len(boards) * sweeps
    both = occupancy(np.sum(advice, axis=0), np.full(ALL_CHANNELS, looks))
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


def sweep(ctx: Context, board: Board, sweeps: int, dwell_us: int) -> tuple[np.ndarray, np.ndarray]:
    """Looks at every channel that found it busy, and all looks. Raises Refused where the board cannot listen."""
    board.ask(msg.EnergyScan(first=0, last=ALL_CHANNELS - 1, dwell_us=dwell_us, sweeps=sweeps))
    # each channel also needs settling and a few SPI transactions
    board.wait_done(msg.EnergyScan, 2.0 + sweeps * ALL_CHANNELS * (dwell_us + 500.0) * 1e-6)
    hits, tries = np.zeros(ALL_CHANNELS, np.int64), np.zeros(ALL_CHANNELS, np.int64)
    for event in board.events(msg.Scan):
        for channel, row in enumerate(event.rows, event.first):
            if channel < ALL_CHANNELS:
                hits[channel] += row.busy != 0
                tries[channel] += 1
    if tries.min() == 0:
        ctx.doubt(f"the {board.role} board's scan left out {int((tries == 0).sum())} channels")
    return hits, np.maximum(tries, 1)


STAGE = Stage(
    kind="transceiver",
    title="Transceiver",
    instruction="Registers, lines and the air around; nothing to do.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity",), wired=RADIO_LINES),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("scan_sweeps", 40, "sweeps over all channels by each board", "", 1, 2000),
        Parameter("scan_dwell_us", 200, "listening time per channel; the detector needs 170", "us", 170, 20000),
        Parameter("rate", "1M", "data rate for which the quiet channel is sought", choices=tuple(RATES)),
    ),
    measures=(
        ReadingSpec(
            "wrong_bits", "", "bits that did not read back", Limit(max=0), "lower", 0.5, "",
            about="Bits of the transceiver's registers that did not read back as written; any one is a wiring or "
                  "supply fault. Usual: 0.",
        ),
        ReadingSpec(
            "status_byte", "", "first status byte", None, "same", 255, "",
            about="What the transceiver answers first; 0 or 255 means that nobody drives the line. Usual: 14 "
                  "(nRF24L01+ Product Specification 1.0, register 07).",
        ),
        ReadingSpec(
            "settings_wrong", "", "settings that did not hold", Limit(max=0), "lower", 0.5, "",
            about="Registers that differ from what was set a moment before. Usual: 0.",
        ),
        ReadingSpec(
            "not_at_reset", "", "registers not at power-on values", None, "same", 30, "",
            about="How many registers had been changed before this run; many are normal after a sketch ran, all "
                  "alike are a dead line. Usual: 0 after power-on.",
        ),
        ReadingSpec(
            "plus_variant", "", "behaves as the plus variant (1: yes)", None, "higher", 0.5, "",
            about="Whether the chip can 250 kbit/s, which only the plus variant can. Usual: yes (nRF24L01+ Product "
                  "Specification 1.0).",
        ),
        ReadingSpec(
            "quiet_channel", "", "quietest channel", None, "same", 126, "",
            about="Channel on which the scan heard least; it is the advice where the one in use is busy.",
        ),
        ReadingSpec(
            "channel_busy", "%", "time the channel was busy", Limit(max=20.0), "lower", 5.0, "",
            about="Share of looks at the channel in use that heard somebody above -64 dBm; each costs packets. "
                  "Usual: below 5 % (common practice, no source).",
        ),
    ),
    expected_s=lambda p: 3.0 + 2 * float(p["scan_sweeps"]) * ALL_CHANNELS * (float(p["scan_dwell_us"]) + 300) * 1e-6,
)  # fmt: skip
