"""Identity: who the boards are, that their settings are as declared, and how far their oscillators are off."""

from __future__ import annotations

from itertools import pairwise

from benchctl import shipped
from benchctl.analysis.fuses import complaints, fuses
from benchctl.analysis.latency import median, quantile_interval
from benchctl.analysis.loss import clopper_pearson
from benchctl.errors import Refused
from benchctl.facts import Line, LineBroken
from benchctl.session.board import Board
from benchctl.session.boot import Identity, is_own_sketch
from benchctl.session.pairing import pair_settings
from benchctl.stages.announce import announce
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.host_clock import HostClock
from benchctl.stages.transceiver_joints import joined_at_rest
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import GUARDED_SETTINGS, NO_PIN, PIN_KEYS, SETTING_BY_NAME, Function
from benchctl.wire.stored import GUARDED_KEYS

#: what of the transceiver's pins the board drives as soon as it is told of them
_RADIO_DRIVEN = (Function.RADIO_CE, Function.RADIO_CSN)
_ROLES = (Role.HAND, Role.CRAFT, Role.GAUGE)
#: the image CRC is computed in idle time after the start
_CRC_WAIT_S = 3.0
#: requests over the air that are timed
_WAY_TRIES = 30
#: a pair file's name of the processor, by what the chip says of itself
PROCESSORS = {
    bytes((0x1E, 0x95, 0x0F)): "328P",  # ATmega328P data sheet, table 31-8
    bytes((0x1E, 0x95, 0x16)): "328PB",  # ATmega328PB data sheet, table 32-8
}
_SIGNATURES = (*PROCESSORS, bytes((0x1E, 0x95, 0x14)))  # the last is the part without P


def perform(ctx: Context) -> None:
    boards = [ctx.board(role) for role in (Role.HAND, Role.CRAFT, Role.GAUGE) if role in ctx.bench.boards]
    identities = {}
    for board in boards:
        with ctx.tolerating(board):
            identities[board.role] = _identify(ctx, board)
    _compare(ctx, identities)
    for board in boards:
        if board.role not in identities:
            continue
        with ctx.tolerating(board):
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
    if found.wrong_clock:
        ctx.fail(f"{board.role}: {found.wrong_clock}")
    if wrong := found.wrong_image(board.role):
        ctx.fail(f"{board.role}: {wrong}")
    _fuses(ctx, board, found)
    if found.signature not in _SIGNATURES:
        ctx.fail(f"the {board.role} board's chip has signature {found.signature.hex(' ')}, not an ATmega328P's")
    if not found.settings_ok:
        ctx.note(f"the {board.role} board's stored settings were damaged; defaults are in force", "warning")
    ctx.read(f"{board.role}.stack_free", found.stack_free, "bytes")
    ctx.note(f"{board.role}: last reset by {found.cause} (learnt from {found.cause_from}), start number {found.boots}")
    return found


def _fuses(ctx: Context, board: Board, found: Identity) -> None:
    """Fuses and lock bits as the chip has them, and what of them hurts."""
    fused = fuses(found.fuses)
    ctx.note(f"{board.role}: {fused}")
    image = next((one for one in shipped.images() if one.crc == found.image_crc), None)
    for complaint in complaints(fused, declared_v=board.wiring.brown_out_v, image_bytes=image.size if image else 0):
        ctx.note(f"{board.role}: {complaint}", "warning")


def _match_settings(ctx: Context, board: Board) -> None:
    """Label, role, pins and numbers as declared; only what differs is written, so EEPROM is spared.

    What pulse outputs can emit is not written here: the outputs stage does.
    """
    found, wiring = board.identify(), board.wiring
    if found.label and wiring.label and found.label != wiring.label:
        ctx.fail(
            f"the {board.role} port has the board labelled {found.label!r}, expected {wiring.label!r}: "
            f"cables swapped, or another pair"
        )
        return
    changed = False
    if found.label == "" and wiring.label:
        board.write_setting("label", wiring.label)
        ctx.note(f"the {board.role} board had no label; it is now {wiring.label}")
        changed = True
    if found.role is not board.role:
        if found.wrong_image(board.role):
            return
        if found.label:
            ctx.fail(f"board {found.label!r} is set up as {found.role}, but the bench has it as {board.role}")
            return
        board.write_setting("role", _ROLES.index(board.role))
        changed = True
    try:
        others = {function: pin for function, pin in wiring.pins.items() if PIN_KEYS + function not in GUARDED_KEYS}
        if not is_own_sketch(found.firmware) and (joint := _joint(ctx, board)):
            ctx.fail(LineBroken(board.role, Line.BRIDGED, joint))
            others.update(dict.fromkeys(_RADIO_DRIVEN, NO_PIN))
        changed |= board.match_outputs(others, ())
        changed |= _match_numbers(board, wiring.joint or wiring.label or found.label)
    except Refused as e:
        ctx.fail(f"the {board.role} board does not take its settings: {e}")
    if changed:
        board.save_settings()


def _joint(ctx: Context, board: Board) -> str:
    """Lines of the transceiver that solder joins, of a board that is to be told of CE and CSN for the first time: one
    would be driven against the other, or into the transceiver's output.
    """
    wanted = [board.wiring.pins.get(function, NO_PIN) for function in _RADIO_DRIVEN]
    if wanted == [NO_PIN] * 2 or any(board.read_pin(function) != NO_PIN for function in _RADIO_DRIVEN):
        return ""
    return joined_at_rest(board, ctx.wait, *wanted)


def _match_numbers(board: Board, label: str) -> bool:
    """As declared; and what the label makes of address, channel and pair, where nobody has chosen them yet."""
    changed = False
    derived = {n: v for n, v in pair_settings(label).items() if board.read_setting(n) == SETTING_BY_NAME[n].default}
    for name, value in {**derived, **board.wiring.settings}.items():
        if name in SETTING_BY_NAME and name not in GUARDED_SETTINGS and board.read_setting(name) != value:
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
        board.ask(msg.Echo(data=b"there"))
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
        ReadingSpec(
            "stack_free", "bytes", "RAM the stack never used", Limit(min=200), "higher", 32, "",
            about="RAM left over at the deepest moment so far; at none left the program overwrites its own data. "
                  "Usual: 500 bytes and more; the limit is a reserve of our own (common practice, no source).",
        ),
        # ceramic resonators are specified to ±0.5 % (common practice, no source)
        ReadingSpec(
            "air_delay", "ms", "answer over the air", None, "lower", 20,
            about="Time from a request to its answer through the other board; it slows every later stage. Usual: 5 "
                  "to 30 ms (measured on the modelled bench).",
        ),
        ReadingSpec(
            "air_lost", "%", "packets over the air sent anew", Limit(max=50.0), "lower", 5, "",
            about="Share of relayed packets that had to be repeated; a high one makes every reading slow. Usual: "
                  "below 5 % on a quiet channel (no source).",
        ),
        ReadingSpec(
            "oscillator_error", "ppm", "clock against the host's", Limit(-5500, 5500), "same", 200, "",
            about="How far the board's clock is off; pulse widths and time-outs are off by as much. Usual: crystals "
                  "within 50 ppm, ceramic resonators within 5000 ppm (common practice, no source).",
        ),
    ),
    expected_s=lambda p: 2 * float(p["clock_seconds"]) + 1.0,
)  # fmt: skip
