"""Outputs: what hangs at each pulse output is told to the board, and confirmed by a small movement before a large one.

Declaring a servo is a claim that can hurt: a motor controller at that header would be swung to full throttle. So the
board keeps every output silent until a person has seen what half a second of a careful pulse moves there, with the
motors' battery unplugged. A motor controller's careful pulse is its idle, since 1500 us would be half throttle to it.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchctl import events as ev
from benchctl.errors import Restarted
from benchctl.facts import OutputMoves, OutputRestarts
from benchctl.safety.attesting import attest_off
from benchctl.safety.wiring import Wiring, forget
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, ReadingSpec, Stage
from benchctl.stages.metering import metered
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import GUARDED_SETTINGS, MOTOR_KINDS, Function, PulseKind

_UNCHANGED, _CHANGED = "nothing was changed", "something was changed"
_READY = "ready"
#: what a person can have seen move
_SERVO, _MOTOR, _NOTHING, _AGAIN = "servo", "motor", "nothing", "look again"


@dataclass(frozen=True, slots=True)
class _Told:
    """What the pair's owner says of the craft's outputs, where the board has something else."""

    pins: dict[Function, int]
    kinds: dict[int, PulseKind]
    settings: dict[str, int]

    def __bool__(self) -> bool:
        return bool(self.pins or self.kinds or self.settings)


def perform(ctx: Context) -> None:
    craft = ctx.board(Role.CRAFT)
    declared = [c for c, kind in enumerate(craft.wiring.pulse_kinds, 1) if kind is not PulseKind.NONE]
    told, confirmed = _differing(craft), confirmed_outputs(craft)
    wanted = [c for c in declared if told or c not in confirmed]
    if not told and not wanted:
        wanted = _changed_since(ctx, declared)
    if told or wanted:
        why = attest_off(ctx, ctx.interlock)
        if why:
            ctx.doubt(why)
            return
        if any(craft.wiring.pulse_kinds[c - 1] is PulseKind.SERVO for c in (declared if told else wanted)):
            _feed_servos(ctx)
        with Wiring(ctx, ctx.interlock, Role.CRAFT) as wiring:
            _tell(craft, told)
            wanted = [c for c in declared if c in wanted or c not in confirmed_outputs(craft)]
            # servos first: a motor controller at a servo's header shows before anything else is tried
            for channel in sorted(wanted, key=lambda c: craft.wiring.pulse_kinds[c - 1] in MOTOR_KINDS):
                if not _seen_right(ctx, wiring, channel):
                    break
                wiring.confirm(channel)
        craft.save_settings()
    confirmed = confirmed_outputs(craft)
    ctx.read("confirmed", sum(c in confirmed for c in declared), "", len(declared), note=f"of {len(declared)} declared")
    left = [c for c in declared if c not in confirmed]
    if left and not ctx.failures and not ctx.doubts:
        ctx.fail(f"output {left[0]} is silent: the board does not take it as confirmed")


def confirmed_outputs(craft: Board) -> set[int]:
    """Channels, counted from 1, that the board lets move."""
    mask = craft.ask(msg.GuardRead()).confirmed
    return {channel for channel in range(1, 7) if mask >> (channel - 1) & 1}


#: why a stage that moves the servo does not begin
SERVO_UNCONFIRMED = "the craft has no servo output that has been confirmed; run the outputs stage"


def servo_moves(board: Board) -> bool:
    """Whether the board has a servo output that a person has confirmed; others are left out of every movement."""
    kinds = board.wiring.pulse_kinds
    return PulseKind.SERVO in kinds and any(kinds[c - 1] is PulseKind.SERVO for c in confirmed_outputs(board))


# ---------------------------------------------------------------------- what the board is told


def _differing(craft: Board) -> _Told:
    declared = craft.wiring
    pulses = range(Function.PULSE1, Function.PULSE6 + 1)
    wanted_pins = {Function(f): declared.pins.get(Function(f)) for f in pulses}
    return _Told(
        {f: pin for f, pin in wanted_pins.items() if pin is not None and craft.read_pin(f) != pin},
        {c: kind for c, kind in enumerate(declared.pulse_kinds, 1) if craft.read_pulse_kind(c) != kind},
        {
            name: value
            for name, value in declared.settings.items()
            if name in GUARDED_SETTINGS and craft.read_setting(name) != value
        },
    )


def _tell(craft: Board, told: _Told) -> None:
    for name, value in told.settings.items():
        craft.write_setting(name, value)
    for function, pin in told.pins.items():
        craft.write_pin(function, pin)
    for channel, kind in told.kinds.items():
        craft.write_pulse_kind(channel, kind)


# ---------------------------------------------------------------------- what a person does and sees

#: by what feeds the servos: they are to move while the motors' battery is unplugged
_FEEDING = {
    "own": "Switch the servos' own supply on now.",
    "motor battery": (
        "The servos get their plus from the motors' battery, which stays unplugged: take that wire off, insulate it, "
        "and feed their header from a supply of its own now, with its ground on the craft's."
    ),
    None: (
        "Give the servos their supply now, if they have one of their own; never the motors' battery (say which in the "
        "pair file: board.craft.supply.servo_fed_by)."
    ),
}


def _feed_servos(ctx: Context) -> None:
    """The servos' supply is asked for by itself, so that nobody plugs the motors' battery in for it."""
    text = _FEEDING.get(ctx.board(Role.CRAFT).wiring.facts.supply.servo_fed_by)
    if text:
        text += " The motors' battery stays unplugged."
        ctx.ask(ev.PromptKind.DO, text, "feed_servos", role=Role.CRAFT, timeout_s=120.0)


def _changed_since(ctx: Context, declared: list[int]) -> list[int]:
    """All outputs are confirmed: only a person knows whether something has been plugged elsewhere since."""
    if not declared:
        return []
    text = (
        "All pulse outputs have been confirmed before. Has anything at them been plugged or soldered otherwise since?"
    )
    answer = ctx.ask(ev.PromptKind.CHOICE, text, "rewired", role=Role.CRAFT, choices=(_UNCHANGED, _CHANGED))
    if answer.strip().lower() == _UNCHANGED:
        return []
    craft = ctx.board(Role.CRAFT)
    for channel in declared:
        forget(craft, channel)
    return declared


def _seen_right(ctx: Context, wiring: Wiring, channel: int) -> bool:
    craft = ctx.board(Role.CRAFT)
    kind = craft.wiring.pulse_kinds[channel - 1]
    what = "motor controller" if kind in MOTOR_KINDS else "servo"
    try:
        answer = _tried(ctx, wiring, channel, what)
        if answer == _NOTHING and kind is PulseKind.SERVO:
            # one look is weak evidence
            answer = _tried(ctx, wiring, channel, what)
        craft.ask(msg.GuardRead())
    except Restarted as e:
        craft.clear_restart()
        ctx.fail(OutputRestarts(Role.CRAFT, channel, what, e.cause))
        return False
    if not answer:
        ctx.doubt(f"output {channel} was not tried")
        return False
    seen = {_SERVO: 1, _MOTOR: 2}.get(answer, 0)
    ctx.read(f"output{channel}_moves", seen, "", 1, source=Source.OPERATOR, note="0 nothing, 1 servo, 2 motor")
    if answer == (_NOTHING if kind in MOTOR_KINDS else _SERVO):
        craft.servo_astray &= kind is not PulseKind.SERVO
        return True
    craft.servo_astray |= kind is PulseKind.SERVO
    ctx.fail(OutputMoves(channel, what, answer if answer in (_SERVO, _MOTOR) else _NOTHING))
    if answer == _NOTHING and kind is PulseKind.SERVO:
        _is_it_fed(ctx, channel)
    return False


def _is_it_fed(ctx: Context, channel: int) -> None:
    """A servo that does not move: has it a supply, and is that supply's ground the board's?"""
    text = (
        f"Nothing moved. Volts, black lead on the craft board's ground, red lead on the plus of the servo header of "
        f"output {channel}, the servo's supply on:"
    )
    volts = metered(ctx, Role.CRAFT, text, f"servo.pulse{channel}.volts", "V")
    if volts is not None:
        ctx.read(f"output{channel}_servo_volts", volts, "V", 1, source=Source.OPERATOR, note="to the board's ground")


def _tried(ctx: Context, wiring: Wiring, channel: int, what: str) -> str:
    """What a person saw move, "" where it was not to be tried. Raises Restarted when that takes the board down."""
    while True:
        text = f"Look at the craft's servos and motors: output {channel}, declared as a {what}, gets a careful pulse."
        ready = ctx.ask(ev.PromptKind.CHOICE, text, "watch_outputs", role=Role.CRAFT, choices=(_READY, "stop here"))
        if ready.strip().lower() != _READY:
            return ""
        wiring.attempt(channel)
        answer = ctx.ask(
            ev.PromptKind.CHOICE, f"What moved just now, as output {channel} was tried?", "what_moved",
            role=Role.CRAFT, detail=f"pulse{channel}", choices=(_SERVO, _MOTOR, _NOTHING, _AGAIN), timeout_s=90.0,
        ).strip().lower()  # fmt: skip
        if answer != _AGAIN:
            return answer


STAGE = Stage(
    kind="outputs",
    title="Outputs",
    instruction="Motors' battery unplugged, servos supplied. Each output is tried by a small movement: say what moved.",
    needs=Needs(roles=(Role.CRAFT,), passed=("identity",), operator=True),
    perform=perform,
    by_air="what pulse outputs can emit is told and confirmed over a cable only",
    measures=(
        ReadingSpec(
            "confirmed", "", "outputs confirmed", None, "same", 0.5, "",
            about="How many outputs were seen to move what they are declared to; only these are driven later. Usual:"
                  " all that are wired.",
        ),
        *(
            ReadingSpec(
                f"output{n}_moves", "", f"output {n} moves (0 nothing, 1 servo, 2 motor)", None, "same", 0.5, "",
                about="What was seen to move by this output's small first movement.",
            )
            for n in range(1, 7)
        ),
        *(
            ReadingSpec(
                f"output{n}_servo_volts", "V", f"output {n}: servo's plus to the board's ground", Limit(min=4.0),
                "same", 0.5, "",
                about="Volts by meter where a servo did not move; next to none is a supply that is off, or a ground "
                      "that is not joined to the board's. Usual: 4.8 to 6 V (servo sheets).",
            )
            for n in range(1, 7)
        ),
    ),
    expected_s=lambda p: 15.0,
)  # fmt: skip
