"""Controls: switches (rest level, stuck, bounce) and joystick (span, centre, noise, missing codes, axis order)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.edges import Actuations, actuations
from benchctl.analysis.latency import worst_case
from benchctl.analysis.sweep import axis_samples, deviation_interval, rest_samples
from benchctl.errors import BoardError, PortLost
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.host_clock import HostClock, Rate
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.wire.catalogue import NO_PIN, Function

_TICK_US = 0.5
_SWITCHES = ((Function.SWITCH1, "switch1"), (Function.SWITCH2, "switch2"))
_AXES = ("x", "y")
#: a stream row's worth of time and the sample rate of the joystick
_STICK_INTERVAL_US = 2000
#: the converter has 10 bits
_MOST_COUNTS = 1023
#: an edge is stamped by an interrupt that others hold up by 4.3 µs at most: a time between two may be so much off
_STAMP_US = 5.0


#: by which a single code may be off (absolute accuracy; ATmega328P data sheet, table 29-16: 2 steps)
_CODE = 2.0


def perform(ctx: Context) -> None:
    board = ctx.board(Role.HAND)
    for function, name in _SWITCHES:
        if board.declared.pins.get(function, NO_PIN) != NO_PIN:
            with ctx.piece(board):
                _switch(ctx, board, function, name)
    if board.declared.pins.get(Function.JOY_X, NO_PIN) != NO_PIN:
        with ctx.piece(board):
            _joystick(ctx, board)
    for role in (Role.HAND, Role.CRAFT):
        _blinks(ctx, role)


# ---------------------------------------------------------------------- LEDs


def _blinks(ctx: Context, role: Role) -> None:
    """The LED itself, which no pin can see: a random number of blinks, counted by a person."""
    board = ctx.bench.boards.get(role)
    if board is None or board.identity is None:
        return
    if board.declared.pins.get(Function.LED, NO_PIN) == NO_PIN or ctx.bench.operator.by == "none":
        return
    with ctx.piece(board):
        _count_blinks(ctx, board)


def _count_blinks(ctx: Context, board: Board) -> None:
    role, count = board.role, ctx.bench.chance.randint(2, 5)
    text = f"Count the blinks of the {role} unit's LED, and type the number; 0 when it stays dark."
    prompt = ctx.prompt(ev.PromptKind.COUNT, text, "count_blinks", role=role, timeout_s=60.0)
    ctx.wait(0.5)
    board.ask("led", blinks=count, on_ms=300, off_ms=300)
    answer = ctx.answer(prompt)
    # a board that restarts in between has not blinked as often as it was asked to
    board.ask("vitals")
    counted = int(answer) if answer.strip().isdigit() else -1
    ctx.read(f"{role}.led_missed", count - counted, "", count, source=Source.OPERATOR, note=f"of {count} blinks")


# ---------------------------------------------------------------------- switches


def _switch(ctx: Context, board: Board, function: Function, name: str) -> None:
    presses, clock = ctx.count("presses"), HostClock(ctx, board)
    clock.few()
    board.events("edges")
    _floating(ctx, board, function, name)
    rest = board.ask("watch", function=function, on=1).level
    ctx.cleanup.callback(_unwatch, board, function)
    ctx.wait(0.5)
    ctx.read(f"hand.{name}_rest", rest, "", 1, note="level with the switch let go: 1, pulled up")
    idle = _edges(board, function)
    ctx.read(f"hand.{name}_stray", len(idle), "", 1, source=Source.COUNTING, note="edges in 0.5 s with nobody touching")
    prompt = ctx.prompt(
        ev.PromptKind.DO,
        f"Press {name} {presses} times, about once a second, letting go fully each time.",
        "press_switch",
        role=Role.HAND,
        detail=f"{name} {presses}",
        timeout_s=presses * 4.0 + 10.0,
    )
    seen = _watch_presses(ctx, board, function, presses, prompt.timeout_s, rest)
    ctx.done(prompt)
    board.ask("watch", function=function, on=0)
    clock.few()
    _judge_presses(ctx, name, seen, rest, presses, clock.rate())


def _floating(ctx: Context, board: Board, function: Function, name: str) -> None:
    """The line with the chip's own pull-up off: only the board's holds it then."""
    levels = []
    for _ in range(20):
        levels.append(board.ask("pin", function=function, mode=0).level)
        ctx.wait(0.007)
    board.ask("pin", function=function, mode=1)
    ctx.read(f"hand.{name}_unheld", levels.count(0) if 1 in levels else 0, "", len(levels), source=Source.COUNTING,
             note="looks that found the line low, the chip's own pull-up off")  # fmt: skip


def _unwatch(board: Board, function: Function) -> None:
    try:
        board.ask("watch", function=function, on=0, repeats=0)
    except (BoardError, PortLost):
        return


def _edges(board: Board, function: Function) -> list[tuple[int, int]]:
    return [row for e in board.events("edges") if e.function == function for row in e.rows]  # type: ignore[misc]


def _watch_presses(
    ctx: Context, board: Board, function: Function, presses: int, timeout: float, rest: int
) -> list[tuple[int, int]]:
    rows: list[tuple[int, int]] = []
    began = ctx.now()
    while ctx.now() - began < timeout:
        ctx.wait(0.1)
        rows += _edges(board, function)
        done = _grouped(rows, rest)
        ctx.progress(min(len(done) // 2, presses), presses, f"{len(done) // 2} of {presses} presses")
        quiet = not rows or ctx.now() - began > 0.5
        if len(done) >= 2 * presses and quiet:
            ctx.wait(0.3)
            rows += _edges(board, function)
            break
    return rows


def _grouped(rows: list[tuple[int, int]], rest: int, factor: float = 1.0) -> Actuations:
    """factor: true µs per µs of the board's clock."""
    table = np.array(rows, np.float64).reshape(-1, 2)
    # ticks wrap after 35 minutes, a stage of presses is far shorter: unwrap once
    times = np.unwrap(table[:, 0], period=2.0**32) * _TICK_US * factor if len(table) else table[:, 0]
    if np.any(np.diff(times) < 0):
        raise BoardError("the hand board's record of a switch is not in order of time")
    return actuations(times, table[:, 1], rest=bool(rest))


def _judge_presses(ctx: Context, name: str, rows: list[tuple[int, int]], rest: int, presses: int, rate: Rate) -> None:
    done = _grouped(rows, rest, rate.factor)
    pressed = int((done.changed & (done.level != bool(rest))).sum())
    released = int((done.changed & (done.level == bool(rest))).sum())
    ctx.read(f"hand.{name}_presses", pressed, "", presses, source=Source.COUNTING, note=f"of {presses} asked for")
    if pressed == 0:
        ctx.fail(f"{name} never changed although it was to be pressed {presses} times: stuck, open, or wired elsewhere")
        return
    table = np.array(rows, np.float64)
    ctx.samples(f"hand_{name}_edges", "edges", {"at": "us", "level": ""}, table * (_TICK_US * rate.factor, 1.0))
    ctx.read(
        f"hand.{name}_bounces",
        float(done.bounces.max()),
        "",
        len(done),
        source=Source.COUNTING,
        note="most edges beyond the first",
    )
    longest = done.duration / 1000
    claim = worst_case(longest)
    note = f"longest of {len(done)}; with 95 % confidence {100 * claim.share:.0f} % are no longer" if claim else ""
    worst = float(longest.max())
    about = rate.interval(1000 * worst, _STAMP_US if worst else 0.0)
    about = Interval(max(0.0, about.low), about.high).scaled(1e-3)
    ctx.read(f"hand.{name}_bounce_ms", worst, "ms", len(done), about, Source.CLOCK, note=note)
    if abs(pressed - released) > 1:
        ctx.fail(f"{name}: {pressed} presses but {released} releases; the contact does not follow")


# ---------------------------------------------------------------------- joystick


def _joystick(ctx: Context, board: Board) -> None:
    rest = _stream(ctx, board, 1.0, "joystick at rest")
    for axis, codes in zip(_AXES, rest.T, strict=True):
        still = rest_samples(codes)
        n = len(codes)
        ctx.read(f"hand.{axis}_centre", still.centre, "counts", n, still.interval, Source.ADC)
        about = deviation_interval(codes)
        ctx.read(f"hand.{axis}_noise", still.noise, "counts", n, about, Source.ADC, note="standard deviation at rest")
    circle = _moved(
        ctx, board, "Move the joystick slowly round its whole rim, several times.", "circle", ctx.number("move_seconds")
    )
    for axis, codes in zip(_AXES, circle.T, strict=True):
        ends = axis_samples(codes)
        for what, value, doubt in (
            ("low", ends.low, _CODE),
            ("high", ends.high, _CODE),
            ("span", ends.span, 2 * _CODE),
        ):
            about = Interval(value - doubt, value + doubt)
            ctx.read(f"hand.{axis}_{what}", value, "counts", len(codes), about, Source.ADC)
        jumps = _widest_gap(codes)
        ctx.read(
            f"hand.{axis}_gap",
            jumps,
            "counts",
            len(codes),
            source=Source.COUNTING,
            note="widest stretch of codes never seen",
        )
    ctx.samples("hand_joystick", "poses", {"x": "counts", "y": "counts"}, circle)
    _axis_order(ctx, board)


def _widest_gap(codes: npt.NDArray[np.float64]) -> float:
    """Widest stretch of unseen codes between the smallest and the largest: a worn or dirty track skips some."""
    seen = np.unique(codes)
    return float(np.diff(seen).max() - 1) if len(seen) > 1 else 0.0


def _stream(ctx: Context, board: Board, seconds: float, label: str) -> npt.NDArray[np.float64]:
    count = max(10, round(seconds * 1e6 / _STICK_INTERVAL_US))
    board.events("stick_rows")
    board.ask("stick_stream", interval_us=_STICK_INTERVAL_US, count=count)
    began = ctx.now()
    while not board.is_done("stick_stream"):
        if ctx.now() - began > seconds + 3.0:
            ctx.doubt("the joystick's samples did not end")
            break
        ctx.wait(0.1)
        ctx.progress(min(ctx.now() - began, seconds), seconds, label)
    rows = [row for e in board.events("stick_rows") for row in e.rows]
    if len(rows) < 2:
        raise BoardError(f"of {count} samples of the joystick that were asked for {len(rows)} came")
    if max(map(max, rows)) > _MOST_COUNTS:
        raise BoardError(f"the joystick's samples go beyond the converter's {_MOST_COUNTS} counts")
    return np.array(rows, np.float64).reshape(-1, 2)


def _moved(ctx: Context, board: Board, text: str, how: str, seconds: float) -> npt.NDArray[np.float64]:
    prompt = ctx.prompt(
        ev.PromptKind.DO, text, "move_joystick", role=Role.HAND, detail=f"{how} {seconds:g}", timeout_s=seconds + 5
    )
    try:
        return _stream(ctx, board, seconds, text)
    finally:
        ctx.done(prompt)


def _axis_order(ctx: Context, board: Board) -> None:
    """Pushed to the right, x must move and y stay; pushed up, the other way round."""
    for how, text, own in (
        ("right", "Push the joystick fully to the right and hold it.", 0),
        ("up", "Push the joystick fully up (away from you) and hold it.", 1),
    ):
        held = _moved(ctx, board, text, how, 3.0)
        spans = np.ptp(held, axis=0)
        swapped = bool(spans[1 - own] > spans[own])
        moved = float(spans[own])
        about = Interval(max(0.0, moved - 2 * _CODE), moved + 2 * _CODE)
        ctx.read(f"hand.{how}_moves", moved, "counts", len(held), about, Source.ADC, note=f"of axis {_AXES[own]}")
        if swapped:
            ctx.fail(f"pushing {how} moves the {_AXES[1 - own]} axis: the two axes are exchanged")
            return
        turn = float(np.median(held[-max(1, len(held) // 4) :, own]) - np.median(held[: max(1, len(held) // 10), own]))
        if spans[own] > 100 and turn < 0:
            ctx.note(f"pushing {how} lowers axis {_AXES[own]}: it runs the other way round")


_SWITCH_MEASURES = tuple(
    measure
    for name in ("switch1", "switch2")
    for measure in (
        Measure(f"{name}_rest", "", f"{name}: level let go", Limit(min=1), "same", 0.5, ""),
        Measure(f"{name}_stray", "", f"{name}: edges with nobody touching", Limit(max=0), "lower", 1, ""),
        Measure(f"{name}_unheld", "", f"{name}: low without the chip's pull-up", Limit(max=0), "lower", 1, ""),
        Measure(f"{name}_presses", "", f"{name}: presses seen", None, "same", 1, ""),
        Measure(f"{name}_bounces", "", f"{name}: most bounces", None, "lower", 5, ""),
        # the average of tested switches is 1.6 ms, the longest but for two outliers 6.2 ms
        # (J. Ganssle, A Guide to Debouncing, 2008)
        Measure(f"{name}_bounce_ms", "ms", f"{name}: longest bounce", Limit(max=10.0), "lower", 2, ""),
    )
)
_AXIS_MEASURES = tuple(
    measure
    for axis in _AXES
    for measure in (
        Measure(f"{axis}_centre", "counts", f"{axis}: let go", Limit(412, 612), "same", 10, ""),
        Measure(f"{axis}_noise", "counts", f"{axis}: noise at rest", Limit(max=4.0), "lower", 1, ""),
        Measure(f"{axis}_low", "counts", f"{axis}: lowest", Limit(max=120), "same", 20, ""),
        Measure(f"{axis}_high", "counts", f"{axis}: highest", Limit(min=903), "same", 20, ""),
        Measure(f"{axis}_span", "counts", f"{axis}: span", Limit(min=800), "higher", 20, ""),
        Measure(f"{axis}_gap", "counts", f"{axis}: widest gap in the track", Limit(max=40), "lower", 10, ""),
    )
)
STAGE = Stage(
    kind="controls",
    title="Controls",
    instruction="Presses and joystick moves on request; keep your hands off in between.",
    needs=Needs(roles=(Role.HAND,), passed=("identity",), operator=True),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("presses", 10, "presses of each switch", "", 3, 200),
        Parameter("move_seconds", 8.0, "time for moving the joystick round", "s", 3.0, 60.0),
    ),
    measures=(
        *_SWITCH_MEASURES,
        Measure("led_missed", "", "blinks of the LED that nobody saw", Limit(0, 0), "same", 0.5, ""),
        *_AXIS_MEASURES,
        Measure("right_moves", "counts", "x when pushed right", Limit(min=300), "higher", 30, ""),
        Measure("up_moves", "counts", "y when pushed up", Limit(min=300), "higher", 30, ""),
    ),
    expected_s=lambda p: 4.0 * float(p["presses"]) + float(p["move_seconds"]) + 12.0,
)
