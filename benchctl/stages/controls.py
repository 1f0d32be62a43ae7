"""Controls: switches (rest level, stuck, bounce) and joystick (span, centre, noise, missing codes, axis order)."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.edges import Actuations, actuations
from benchctl.analysis.latency import worst_case
from benchctl.analysis.sweep import axis_samples, deviation_interval, rest_samples
from benchctl.errors import BoardError, PortLost
from benchctl.facts import AxesExchanged
from benchctl.pairfile import SwitchFacts
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.host_clock import HostClock, Rate
from benchctl.stages.metering import metered
from benchctl.terms import Interval, Limit, Role, Source, readable
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import Function

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
        if _there(ctx, board, name):
            with ctx.tolerating(board):
                _switch(ctx, board, function, name)
    if _there(ctx, board, "joy_x") and _there(ctx, board, "joy_y"):
        with ctx.tolerating(board):
            _joystick(ctx, board)
    for role in (Role.HAND, Role.CRAFT):
        _blinks(ctx, role)


def _there(ctx: Context, board: Board, what: str) -> bool:
    """Whether the function is declared to have a pin; why it is left out is said."""
    lacking = board.wiring.lacks(board.role, what)
    if lacking:
        ctx.note(f"left out: {lacking}")
    return not lacking


# ---------------------------------------------------------------------- LEDs

#: counts of blinks, until one is right
_COUNTS = 3


def _blinks(ctx: Context, role: Role) -> None:
    """The LED itself, which no pin can see: a random number of blinks, counted by a person."""
    board = ctx.bench.boards.get(role)
    if board is None or board.identity is None:
        return
    if ctx.bench.operator.by == "none" or not _there(ctx, board, "led"):
        return
    if board.servo_astray:
        ctx.doubt(
            f"the {role} unit's LED is not blinked: a servo is not where it is declared, perhaps at the LED's pin"
        )
        return
    with ctx.tolerating(board):
        _count_blinks(ctx, board)


def _count_blinks(ctx: Context, board: Board) -> None:
    """A count that is wrong is asked again, with another number of blinks: people miscount, a dark LED stays dark."""
    for _ in range(_COUNTS):
        asked, counted = _one_count(ctx, board)
        if counted == asked:
            break
    note = f"of {asked} blinks"
    ctx.read(f"{board.role}.led_missed", asked - counted, "", asked, source=Source.OPERATOR, note=note)


def _one_count(ctx: Context, board: Board) -> tuple[int, int]:
    """(blinks, those that were counted; -1 for an answer that is no number)."""
    role, count = board.role, ctx.bench.chance.randint(2, 5)
    text = f"Count the blinks of the {role} unit's LED, and type the number; 0 when it stays dark."
    prompt = ctx.prompt(ev.PromptKind.COUNT, text, "count_blinks", role=role, timeout_s=60.0)
    ctx.wait(0.5)
    board.ask(msg.Led(blinks=count, on_ms=300, off_ms=300))
    answer = ctx.answer(prompt)
    # a board that restarts in between has not blinked as often as it was asked to
    board.ask(msg.Vitals())
    return count, int(answer) if answer.strip().isdigit() else -1


# ---------------------------------------------------------------------- switches


def _switch(ctx: Context, board: Board, function: Function, name: str) -> None:
    presses, clock = ctx.count("presses"), HostClock(ctx, board)
    clock.sample()
    board.events(msg.Edges)
    facts = board.wiring.facts.switch.get(name, SwitchFacts())
    _floating(ctx, board, function, name, facts)
    _pull(ctx, name, facts)
    rest = board.ask(msg.Watch(function=function, on=1)).level
    ctx.cleanup.callback(_unwatch, board, function)
    ctx.wait(0.5)
    # where nobody has said to which side it closes, it closes to the other side than it rests at
    wanted = {"ground": 1, "supply": 0}.get(facts.closes_to or "", rest)
    held = "up" if rest else "down"
    ctx.read(f"hand.{name}_rest", int(rest == wanted), "", 1, note=f"1: rests where it should; it is held {held}")
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
    board.ask(msg.Watch(function=function, on=0))
    clock.sample()
    _judge_presses(ctx, name, seen, rest, presses, clock.rate())


def _floating(ctx: Context, board: Board, function: Function, name: str, facts: SwitchFacts) -> None:
    """The line with the chip's own pull-up off: only the board's resistor holds it then, where there is one."""
    if facts.pull == "chip":
        return
    levels = []
    for _ in range(20):
        levels.append(board.ask(msg.Pin(function=function, mode=0)).level)
        ctx.wait(0.007)
    board.ask(msg.Pin(function=function, mode=int(facts.closes_to != "supply")))
    wrong = min(levels.count(0), levels.count(1))
    if facts.pull is None and wrong:
        ctx.note(f"{name}: no resistor on the board holds its line, the chip's own pull-up does")
        return
    ctx.read(f"hand.{name}_unheld", wrong, "", len(levels), source=Source.COUNTING,
             note="looks that found the line elsewhere, the chip's own pull-up off")  # fmt: skip


def _pull(ctx: Context, name: str, facts: SwitchFacts) -> None:
    """What the board's resistor lets flow, by meter: neither the line nor the program shows a wrong one."""
    if not ctx.count("pulls") or facts.pull != "board" or facts.closes_to is None:
        return
    text = (
        f"Meter on its mA range, from the line of {name}, at the switch, to {facts.closes_to}, as the switch joins "
        "them: how many mA flow? Then set the meter back to volts."
    )
    milliamps = metered(ctx, Role.HAND, text, f"switch.{name}.pull_ma", "mA")
    if milliamps is not None:
        ctx.read(
            f"hand.{name}_pull_ma", milliamps, "mA", 1, source=Source.OPERATOR, note="through the pull on the board"
        )


def _unwatch(board: Board, function: Function) -> None:
    try:
        board.ask(msg.Watch(function=function, on=0), repeats=0)
    except (BoardError, PortLost):
        return


def _edges(board: Board, function: Function) -> list[msg.EdgesRow[int]]:
    return [row for e in board.events(msg.Edges) if e.function == function for row in e.rows]


def _watch_presses(
    ctx: Context, board: Board, function: Function, presses: int, timeout: float, rest: int
) -> list[msg.EdgesRow[int]]:
    rows: list[msg.EdgesRow[int]] = []
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


def _grouped(rows: list[msg.EdgesRow[int]], rest: int, factor: float = 1.0) -> Actuations:
    """factor: true µs per µs of the board's clock."""
    # ticks wrap after 35 minutes, a stage of presses is far shorter: unwrap once
    ticks = np.array([row.at for row in rows], np.float64)
    times = np.unwrap(ticks, period=2.0**32) * TICK_US * factor if len(ticks) else ticks
    if np.any(np.diff(times) < 0):
        raise BoardError("the hand board's record of a switch is not in order of time")
    return actuations(times, [row.level for row in rows], rest=bool(rest))


def _judge_presses(ctx: Context, name: str, rows: list[msg.EdgesRow[int]], rest: int, presses: int, rate: Rate) -> None:
    done = _grouped(rows, rest, rate.factor)
    pressed = int((done.changed & (done.level != bool(rest))).sum())
    released = int((done.changed & (done.level == bool(rest))).sum())
    ctx.read(f"hand.{name}_presses", pressed, "", presses, source=Source.COUNTING, note=f"of {presses} asked for")
    if pressed == 0:
        ctx.fail(f"{name} never changed although it was to be pressed {presses} times: stuck, open, or wired elsewhere")
        return
    table = np.array(rows, np.float64)
    shown = ctx.picture("level of the switches' lines", readable(re.sub(r"(?<=switch)(?=\d)", " ", name)))
    ctx.samples(f"hand_{name}_edges", "edges", {"at": "us", "level": ""}, table * (TICK_US * rate.factor, 1.0), shown)
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
    shown = ctx.picture("where the stick has been")
    ctx.samples("hand_joystick", "poses", {"x": "counts", "y": "counts"}, circle, shown)
    _axis_order(ctx, board, np.median(rest, axis=0))


def _widest_gap(codes: npt.NDArray[np.float64]) -> float:
    """Widest stretch of unseen codes between the smallest and the largest: a worn or dirty track skips some."""
    seen = np.unique(codes)
    return float(np.diff(seen).max() - 1) if len(seen) > 1 else 0.0


def _stream(ctx: Context, board: Board, seconds: float, label: str) -> npt.NDArray[np.float64]:
    count = max(10, round(seconds * 1e6 / _STICK_INTERVAL_US))
    board.events(msg.StickRows)
    board.ask(msg.StickStream(interval_us=_STICK_INTERVAL_US, count=count))
    began = ctx.now()
    while not board.is_done(msg.StickStream):
        if ctx.now() - began > seconds + 3.0:
            ctx.doubt("the joystick's samples did not end")
            break
        ctx.wait(0.1)
        ctx.progress(min(ctx.now() - began, seconds), seconds, label)
    got = np.column_stack(msg.StickRows.columns(board.events(msg.StickRows)))
    if len(got) < 2:
        raise BoardError(f"of {count} samples of the joystick that were asked for {len(got)} came")
    if got.max() > _MOST_COUNTS:
        raise BoardError(f"the joystick's samples go beyond the converter's {_MOST_COUNTS} counts")
    return got.astype(np.float64)


def _moved(ctx: Context, board: Board, text: str, how: str, seconds: float) -> npt.NDArray[np.float64]:
    prompt = ctx.prompt(
        ev.PromptKind.DO, text, "move_joystick", role=Role.HAND, detail=f"{how} {seconds:g}", timeout_s=seconds + 5
    )
    try:
        return _stream(ctx, board, seconds, text)
    finally:
        ctx.done(prompt)


def _axis_order(ctx: Context, board: Board, centres: npt.NDArray[np.float64]) -> None:
    """Pushed to the right, x must move and y stay; pushed up, the other way round. centres: of both axes, let go."""
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
            ctx.fail(AxesExchanged(how, _AXES[1 - own]))
            return
        if spans[own] > 100:
            away = held[:, own] - centres[own]
            _judge_direction(ctx, board, how, own, float(away[np.argmax(np.abs(away))]))


def _judge_direction(ctx: Context, board: Board, how: str, own: int, turn: float) -> None:
    """Whether the axis rises where its owner says; found where nobody has said."""
    axis, stick = _AXES[own], board.wiring.facts.joystick
    declared = (stick.x_rises, stick.y_rises)[own]
    found = how if turn > 0 else {"right": "left", "up": "down"}[how]
    if declared is None:
        ctx.note(f"axis {axis} rises to the {found}" if own == 0 else f"axis {axis} rises {found}")
    elif found != declared:
        ctx.fail(
            f"axis {axis} rises {found}, the pair file says {declared}: its two ends are exchanged, or "
            f"board.hand.joystick.{axis}_rises is wrong"
        )


_SWITCH_MEASURES = tuple(
    measure
    for name, called in (("switch1", "switch 1"), ("switch2", "switch 2"))
    for measure in (
        ReadingSpec(
            f"{name}_rest", "", f"{called} rests where it should (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the line lies at the level of a switch that is let go; if not it is stuck or wired the "
                  "other way round. Usual: yes.",
        ),
        ReadingSpec(
            f"{name}_stray", "", f"{called}: edges with nobody touching", Limit(max=0), "lower", 1, "",
            about="Changes of the line with hands off; each would be a command nobody gave. Usual: 0.",
        ),
        ReadingSpec(
            f"{name}_unheld", "", f"{called}: wanders without the chip's pull-up", Limit(max=0), "lower", 1, "",
            about="Looks that found the line elsewhere with the chip's pull-up off; the pull on the board is missing. "
                  "Usual: 0 where the board has one.",
        ),
        # 10 kΩ is usual; above 1 mA it wastes, below 20 µA the line picks up the room (common practice, no source)
        ReadingSpec(
            f"{name}_pull_ma", "mA", f"{called}: current of its pull", Limit(0.02, 5.0), "same", 50, "%",
            about="What flows through the pull while the switch is closed: by it the resistor is known. Usual: 0.5 mA, "
                  "of 10 kΩ at 5 V.",
        ),
        ReadingSpec(
            f"{name}_presses", "", f"{called}: presses seen", None, "same", 1, "",
            about="Presses that the board saw. Usual: as many as were asked for.",
        ),
        ReadingSpec(
            f"{name}_bounces", "", f"{called}: most bounces", None, "lower", 5, "",
            about="Most changes of the line at one press or release; the program has to wait them out. Usual: 2 to 20.",
        ),
        # the average of tested switches is 1.6 ms, the longest but for two outliers 6.2 ms
        # (J. Ganssle, A Guide to Debouncing, 2008)
        ReadingSpec(
            f"{name}_bounce_ms", "ms", f"{called}: longest bounce", Limit(max=10.0), "lower", 2, "",
            about="How long the line bounced at most; the program has to wait so long. Usual: 1.6 ms, 6.2 ms at most "
                  "(J. Ganssle, A Guide to Debouncing, 2008).",
        ),
    )
)  # fmt: skip
_AXIS_MEASURES = tuple(
    measure
    for axis in _AXES
    for measure in (
        ReadingSpec(
            f"{axis}_centre", "counts", f"{axis} axis, let go", Limit(412, 612), "same", 10, "",
            about="Converter's code with the stick let go; far from the middle the craft creeps. Usual: 512, give or "
                  "take 30 (common practice, no source).",
        ),
        ReadingSpec(
            f"{axis}_noise", "counts", f"{axis} axis, noise at rest", Limit(max=4.0), "lower", 1, "",
            about="Root mean square of the code at rest; a worn track or a bad joint shows here. Usual: below 1 count.",
        ),
        ReadingSpec(
            f"{axis}_low", "counts", f"{axis} axis, lowest", Limit(max=120), "same", 20, "",
            about="Lowest code that was reached; what is missing is missing throw. Usual: below 50.",
        ),
        ReadingSpec(
            f"{axis}_high", "counts", f"{axis} axis, highest", Limit(min=903), "same", 20, "",
            about="Highest code that was reached; what is missing is missing throw. Usual: above 970.",
        ),
        ReadingSpec(
            f"{axis}_span", "counts", f"{axis} axis, span", Limit(min=800), "higher", 20, "",
            about="Highest less lowest code. Usual: 950 of 1023.",
        ),
        ReadingSpec(
            f"{axis}_gap", "counts", f"{axis} axis, widest gap", Limit(max=40), "lower", 10, "",
            about="Widest jump over codes that never came as the stick was moved slowly; a worn track has one. Usual: "
                  "below 20.",
        ),
    )
)  # fmt: skip
STAGE = Stage(
    kind="controls",
    title="Controls",
    instruction="Presses and joystick moves on request; keep your hands off in between.",
    needs=Needs(roles=(Role.HAND,), passed=("identity",), operator=True),
    perform=perform,
    by_air="",
    parameters=(
        Parameter("presses", 10, "presses of each switch", "", 3, 200),
        Parameter("pulls", 0, "1: the pulls of the switches are measured by meter too", "", 0, 1),
        Parameter("move_seconds", 8.0, "time for moving the joystick round", "s", 3.0, 60.0),
    ),
    measures=(
        *_SWITCH_MEASURES,
        ReadingSpec(
            "led_missed", "", "blinks of the LED nobody saw", Limit(0, 0), "same", 0.5, "",
            about="Blinks that were made and not counted; the LED is reversed, open or on another pin. Usual: 0.",
        ),
        *_AXIS_MEASURES,
        ReadingSpec(
            "right_moves", "counts", "x axis when pushed right", Limit(min=300), "higher", 30, "",
            about="By how much the x axis changed when the stick was pushed right; negative is reversed, near 0 is "
                  "the other axis. Usual: 400 to 512 counts.",
        ),
        ReadingSpec(
            "up_moves", "counts", "y axis when pushed up", Limit(min=300), "higher", 30, "",
            about="By how much the y axis changed when the stick was pushed up; negative is reversed, near 0 is the "
                  "other axis. Usual: 400 to 512 counts.",
        ),
    ),
    expected_s=lambda p: 4.0 * float(p["presses"]) + float(p["move_seconds"]) + 12.0,
)  # fmt: skip
