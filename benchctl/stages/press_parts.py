"""Press part after part: the board is watched while a person presses and wiggles one part after the other.

A joint that makes contact now and then gives itself away at the part where it is. First it is watched untouched: what
happens then as often is not told of any part. Watched are the transceiver's registers and settings, restarts, the
stick's rest and the sensor's answer.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from benchctl import events as ev
from benchctl.errors import NoAnswer, Refused, Restarted
from benchctl.facts import JointLoose, Part, Shows
from benchctl.safety.attesting import attest_off
from benchctl.session.board import Board
from benchctl.stages import nrf24_facts as nrf
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.inertial import ADDRESSES
from benchctl.stages.transceiver_lines import read_register, write_register
from benchctl.stages.two_wire import scan_bus
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import MOTOR_KINDS, NO_PIN, AdcSource, Function

#: from look to look; a person's hand gets there within the second
_LOOK_S, _REACH_S, _REST_S = 0.03, 1.2, 0.4
#: a part stands out by this many more than untouched, and by this factor (judgement)
_LEAST, _FACTOR = 2, 3
#: converter's counts within one look at a stick that is let go: a sound one stays within a few
_ADRIFT_COUNTS = 60
_ADC_LOOKS, _ADC_GAP_US, _ADC_PRESCALER = 40, 500, 7
#: a register of a receiving pipe that is never opened: what it holds is gone with the supply, and nobody writes it anew
_MARKED, _MARK = next(r for r in nrf.REGISTERS if r.name == "RX_ADDR_P5"), 0x5A
_WHO_AM_I = 0x75


@dataclass(slots=True)
class _Watched:
    """One board. radio: its transceiver is there; sensor: where the sensor answers, None: nowhere."""

    board: Board
    radio: bool
    sensor: int | None
    sticks: tuple[AdcSource, ...]
    seen: Counter[Shows] = field(default_factory=Counter)


def perform(ctx: Context) -> None:
    """One board after the other, so that a person has one in the hand."""
    kinds = ctx.board(Role.CRAFT).wiring.pulse_kinds
    if any(kind in MOTOR_KINDS for kind in kinds):
        why = attest_off(ctx, ctx.interlock)
        if why:
            ctx.doubt(why)
            return
    for role in (Role.HAND, Role.CRAFT):
        with ctx.tolerating(ctx.board(role)):
            _one_board(ctx, ctx.board(role))


def _one_board(ctx: Context, board: Board) -> None:
    watched = _begin(board)
    if not watched.radio and board.wiring.pins.get(Function.RADIO_CSN, NO_PIN) != NO_PIN:
        ctx.doubt(f"{board.role}: its transceiver keeps nothing that is written to it, so its joints are not watched")
    seconds = ctx.number("seconds")
    text = f"Hands off the {board.role} unit, for {seconds:.0f} s."
    prompt = ctx.prompt(ev.PromptKind.DO, text, "hands_off", role=board.role)
    untouched = _watch(ctx, watched, seconds)
    ctx.done(prompt)
    _read(ctx, board, "untouched", untouched)
    for part in _parts(watched):
        whole = seconds + _REACH_S
        text = f"Press on {part.words} of the {board.role} unit and wiggle it again and again, until told to stop."
        prompt = ctx.prompt(ev.PromptKind.DO, text, "press_part", role=board.role, detail=f"{part} {whole:g}")
        seen = _watch(ctx, watched, whole)
        ctx.done(prompt)
        _read(ctx, board, part, seen)
        for shows, times in seen.items():
            # a module without supply does not answer either
            follows = shows is Shows.LINES and seen[Shows.SETTINGS] >= _LEAST
            if not follows and times >= _LEAST + untouched[shows] and times >= _FACTOR * untouched[shows]:
                ctx.fail(JointLoose(board.role, part, shows, times, untouched[shows]))


def _read(ctx: Context, board: Board, name: str, seen: Counter[Shows]) -> None:
    note = ", ".join(f"{shows.words} {times} x" for shows, times in seen.items())
    ctx.read(f"{board.role}.{name}_faults", seen.total(), "", 1, source=Source.COUNTING, note=note)


def _parts(watched: _Watched) -> list[Part]:
    """Those at which something is to be seen."""
    parts = [Part.SUPPLY]
    parts += [Part.TRANSCEIVER] if watched.radio else []
    parts += [Part.JOYSTICK] if watched.sticks else []
    return parts + ([Part.SENSOR] if watched.sensor is not None else [])


def _begin(board: Board) -> _Watched:
    board.quiet()
    pins = board.wiring.pins
    axes = {Function.JOY_X: AdcSource.JOY_X, Function.JOY_Y: AdcSource.JOY_Y}
    sticks = tuple(source for function, source in axes.items() if pins.get(function, NO_PIN) != NO_PIN)
    return _Watched(board, _set_up(board), _sensor(board), sticks)


def _set_up(board: Board) -> bool:
    """Whether the transceiver keeps a mark in a register that nothing else uses; one that does not is not watched."""
    try:
        board.ask(msg.RadioApply(), timeout=1.0)
        write_register(board, _MARKED, _MARK)
        return read_register(board, _MARKED) == _MARK
    except Refused:
        return False


def _sensor(board: Board) -> int | None:
    if board.role is not Role.CRAFT:
        return None
    try:
        there = scan_bus(board).addresses
    except Refused:
        return None
    return next((a for a in ADDRESSES if a in there), None)


# ---------------------------------------------------------------------- watching


def _watch(ctx: Context, watched: _Watched, seconds: float) -> Counter[Shows]:
    """What was pressed last has come to rest before."""
    ctx.wait(_REST_S)
    board = watched.board
    if watched.radio:
        write_register(board, _MARKED, _MARK)
    watched.seen, end = Counter(), ctx.now() + seconds
    while ctx.now() < end:
        try:
            _look(watched)
        except (Restarted, NoAnswer):
            watched.seen[Shows.RESTART] += 1
            _come_back(ctx, watched)
        except Refused:
            watched.seen[Shows.LINES] += 1
        ctx.wait(_LOOK_S)
    board.drop_events(msg.RadioLost)
    return watched.seen


def _look(watched: _Watched) -> None:
    board, seen = watched.board, watched.seen
    if watched.radio:
        found = read_register(board, _MARKED)
        if found == _MARKED.reset:
            seen[Shows.SETTINGS] += 1
            write_register(board, _MARKED, _MARK)
        elif found != _MARK:
            seen[Shows.LINES] += 1
    if watched.sensor is not None:
        answer = board.ask(msg.TwiRead(address=watched.sensor, reg=_WHO_AM_I, count=1))
        if answer.status:
            seen[Shows.SENSOR] += 1
    for source in watched.sticks:
        looks = msg.Adc(source=source, prescaler=_ADC_PRESCALER, count=_ADC_LOOKS, gap_us=_ADC_GAP_US)
        a = board.ask(looks, timeout=1.0)
        if a.high - a.low > _ADRIFT_COUNTS:
            seen[Shows.STICK] += 1


def _come_back(ctx: Context, watched: _Watched) -> None:
    """After a restart, which may take the boot loader's time. Raises NoAnswer when the board stays away."""
    board = watched.board
    for attempt in range(8):
        ctx.wait(0.3)
        try:
            board.clear_restart()
            _set_up(board)
            return
        except (NoAnswer, Restarted):
            if attempt == 7:
                raise


def _measure(name: str, label: str) -> ReadingSpec:
    about = "How often something went wrong meanwhile: settings lost, bytes wrong, restarts, a stick adrift, a silent"
    return ReadingSpec(name, "", label, Limit(max=0), "lower", 0.5, "", about=f"{about} sensor. Usual: never.")


STAGE = Stage(
    kind="press_parts",
    title="Press part after part",
    instruction="Motors' battery unplugged. Press and wiggle what you are told to: a bad joint gives itself away.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity",), operator=True),
    perform=perform,
    by_air="what happens while a board is pressed is watched over a cable only",
    parameters=(Parameter("seconds", 4.0, "watched untouched, and while each part is pressed", "s", 1.0, 60.0),),
    measures=(
        _measure("untouched_faults", "faults untouched"),
        _measure("supply_faults", "faults, supply pressed"),
        _measure("transceiver_faults", "faults, transceiver pressed"),
        _measure("joystick_faults", "faults, joystick pressed"),
        _measure("sensor_faults", "faults, sensor pressed"),
    ),
    expected_s=lambda p: 12.0 + 8.0 * float(p["seconds"]),
)
