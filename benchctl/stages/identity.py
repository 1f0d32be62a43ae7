"""Identity: who the boards are, that their settings are as declared, and how far their oscillators are off."""

from __future__ import annotations

from itertools import pairwise

from benchctl.analysis.latency import median, quantile_interval
from benchctl.analysis.loss import clopper_pearson
from benchctl.errors import Refused
from benchctl.session.board import Board
from benchctl.session.boot import Identity
from benchctl.stages.announce import announce
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.host_clock import HostClock
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import SETTING_BY_NAME, Function, PulseKind

_ROLES = (Role.HAND, Role.CRAFT, Role.GAUGE)
#: the image CRC is computed in idle time after the start
_CRC_WAIT_S = 3.0
#: requests over the air that are timed
_WAY_TRIES = 30
_SIGNATURE = bytes((0x1E, 0x95, 0x0F))  # ATmega328P data sheet, table 31-8
_SIGNATURE_PLAIN = bytes((0x1E, 0x95, 0x14))  # the part without P


def perform(ctx: Context) -> None:
    boards = [ctx.board(role) for role in (Role.HAND, Role.CRAFT, Role.GAUGE) if role in ctx.bench.boards]
    identities = {}
    for board in boards:
        identities[board.role] = _identify(ctx, board)
    _compare(ctx, identities)
    for board in boards:
        _clock(ctx, board)
        if board.via:
            _way(ctx, board)


def _identify(ctx: Context, board: Board) -> Identity:
    _match_settings(ctx, board)
    deadline = ctx.now() + _CRC_WAIT_S
    found = board.identify()
    while not found.image_crc and ctx.now() < deadline:
        ctx.wait(0.05)
        found = board.identify()
    announce(board, ctx.emit)
    if not found.image_crc:
        ctx.doubt(f"the {board.role} board did not finish its image CRC")
    if found.signature not in (_SIGNATURE, _SIGNATURE_PLAIN):
        ctx.fail(f"the {board.role} board's chip has signature {found.signature.hex(' ')}, not an ATmega328P's")
    if not found.settings_ok:
        ctx.note(f"the {board.role} board's stored settings were damaged; defaults are in force", "warning")
    ctx.read(f"{board.role}.stack_free", found.stack_free, "bytes")
    ctx.note(f"{board.role}: last reset by {found.cause} (learnt from {found.cause_from}), start number {found.boots}")
    return found


def _match_settings(ctx: Context, board: Board) -> None:
    """Label, role, pins and kinds as declared; only what differs is written, so EEPROM is spared."""
    found, declared = board.identify(), board.declared
    if found.label and declared.label and found.label != declared.label:
        ctx.fail(
            f"the {board.role} port has the board labelled {found.label!r}, expected {declared.label!r}: "
            f"cables swapped, or another pair"
        )
        return
    changed = False
    if found.label == "" and declared.label:
        board.write_setting("label", declared.label)
        ctx.note(f"the {board.role} board had no label; it is now {declared.label}")
        changed = True
    if found.role is not board.role:
        if found.label:
            ctx.fail(f"board {found.label!r} is set up as {found.role}, but the bench has it as {board.role}")
            return
        board.write_setting("role", _ROLES.index(board.role))
        changed = True
    try:
        changed |= _match_pins(board)
        changed |= _match_numbers(board)
    except Refused as e:
        ctx.fail(f"the {board.role} board does not take its settings: {e}")
    if changed:
        board.save_settings()


def _match_pins(board: Board) -> bool:
    changed = False
    for function, pin in board.declared.pins.items():
        if board.read_pin(Function(function)) != pin:
            board.write_pin(Function(function), pin)
            changed = True
    for channel, kind in enumerate(board.declared.pulse_kinds, 1):
        if board.read_pulse_kind(channel) != kind:
            board.write_pulse_kind(channel, PulseKind(kind))
            changed = True
    return changed


def _match_numbers(board: Board) -> bool:
    changed = False
    for name, value in board.declared.settings.items():
        if name in SETTING_BY_NAME and board.read_setting(name) != value:
            board.write_setting(name, value)
            changed = True
    return changed


def _compare(ctx: Context, found: dict[Role, Identity]) -> None:
    """Two boards of one pair should run one firmware; the image differs only where their clocks do.

    Somebody's own sketches are of one firmware when they hold the same probe: each board has its own.
    """
    items = list(found.items())
    for (role_a, a), (role_b, b) in pairwise(items):
        same_image = (a.own and b.own) or a.clock_hz != b.clock_hz or a.image_crc == b.image_crc
        if a.firmware != b.firmware or not same_image:
            ctx.fail(
                f"different firmware: {role_a} runs {a.firmware} (image {a.image_crc}), "
                f"{role_b} runs {b.firmware} (image {b.image_crc}); flash both with the same image"
            )


def _clock(ctx: Context, board: Board) -> None:
    """The oscillator against the host's clock: exchanges spread over the time, delays filtered."""
    seconds, began = ctx.number("clock_seconds"), ctx.now()
    clock, gap = HostClock(ctx, board), max(seconds / 400, 0.005)
    while ctx.now() - began < seconds or len(clock) < 8:
        clock.one()
        if len(clock) % 20 == 0:
            ctx.progress(ctx.now() - began, seconds, f"{board.role} clock")
        clock.rest(gap)
    relation = clock.relation()
    ctx.read(
        f"{board.role}.oscillator_error",
        relation.skew,
        "ppm",
        len(clock),
        relation.skew_interval,
        Source.CLOCK,
        note="against the host's clock",
    )


def _way(ctx: Context, board: Board) -> None:
    """How long a request takes over the air, and how many packets needed more than the transceiver's own repeats."""
    took = []
    for _ in range(_WAY_TRIES):
        began = ctx.now()
        board.ask("echo", data=b"there")
        took.append(1000 * (ctx.now() - began))
    ctx.read(f"{board.role}.air_delay", median(took), "ms", len(took), quantile_interval(took, 0.5), Source.CLOCK,
             note=f"a request and its answer through the {board.via} unit, its cable included")  # fmt: skip
    sent, lost = board.packets()
    interval = clopper_pearson(lost, sent)
    ctx.read(f"{board.role}.air_lost", 100 * lost / sent, "%", sent, interval.scaled(100), Source.COUNTING,
             note="packets that had to be sent anew")  # fmt: skip


STAGE = Stage(
    kind="identity",
    title="Identity",
    instruction="Each board says who it is; nothing to do.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("before_power",)),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("clock_seconds", 3.0, "time over which each oscillator is compared with the host", "s", 0.5, 600.0),
    ),
    measures=(
        Measure("stack_free", "bytes", "RAM never touched by the stack so far", Limit(min=200), "higher", 32, ""),
        # ceramic resonators are specified to ±0.5 % (common practice, no source)
        Measure("air_delay", "ms", "request and answer over the air", None, "lower", 20),
        Measure("air_lost", "%", "packets over the air that had to be sent anew", Limit(max=50.0), "lower", 5, ""),
        Measure("oscillator_error", "ppm", "oscillator against the host", Limit(-5500, 5500), "same", 200, ""),
    ),
    expected_s=lambda p: 2 * float(p["clock_seconds"]) + 1.0,
)
