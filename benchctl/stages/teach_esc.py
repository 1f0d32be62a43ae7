"""Teaching the end points: a motor controller that gets power with full throttle standing learns full, then idle.

Full throttle before power is the dangerous moment, so the order and the words are kept here, for one controller after
the other: battery off and attested, full goes out, only then the battery, tones, idle, confirmation, battery off again.
"""

from __future__ import annotations

from benchctl import events as ev
from benchctl.safety.attesting import attest_off
from benchctl.safety.teaching import Lesson
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.esc_arming import NOTHING, SOUNDS, TURNS
from benchctl.stages.feeding import keep_apart
from benchctl.stages.motor import drive_of, motor_channels, named
from benchctl.stages.outputs import confirmed_outputs
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import PulseKind

_HEARD = "heard its tones"
#: the choices are given by a key, since a controller may go on to a menu when full stands for long
_TONES = (_HEARD, NOTHING, TURNS)


def perform(ctx: Context) -> None:
    craft, one = ctx.board(Role.CRAFT), ctx.count("output")
    channels = [channel for channel in motor_channels(ctx) if one in (0, channel)]
    if not channels:
        ctx.doubt(f"output {one} is not declared as a motor controller")
        return
    silent = set(channels) - confirmed_outputs(craft)
    if silent:
        ctx.fail(f"output {min(silent)} is silent: it has not been confirmed; run the outputs stage")
        return
    keep_apart(ctx)
    for n, channel in enumerate(channels):
        if not _taught(ctx, channel):
            return
        ctx.progress(n + 1, len(channels), f"output {channel} has been taught")


def _taught(ctx: Context, channel: int) -> bool:
    """One controller's lesson, from battery off to battery off."""
    ctx.interlock.plugged()  # what was attested before was for other work
    why = attest_off(ctx, ctx.interlock)
    if why:
        ctx.doubt(why)
        return False
    both_ways = ctx.board(Role.CRAFT).wiring.pulse_kinds[channel - 1] is PulseKind.REVERSIBLE
    with Lesson(ctx, ctx.interlock, Role.CRAFT, channel) as lesson:
        lesson.full()
        ctx.interlock.plugged()
        text = (
            f"Full throttle goes out on output {channel}. Plug in the motor battery NOW, and choose as soon as the "
            "controller has given its tones: some open a menu when full stands for longer. Should a motor turn, pull "
            "the battery at once."
        )
        right = _shown(ctx, lesson, channel, "full_taken", text, "plug_and_hear")
        if right and both_ways:
            lesson.backward()
            text = f"Full throttle backwards goes out on output {channel}. Choose as soon as it has given its tones."
            right = _shown(ctx, lesson, channel, "backward_taken", text, "hear_tones")
        if right:
            lesson.rest()
            right = _rests(ctx, lesson, channel, "neutral" if both_ways else "idle")
    ctx.ask(
        ev.PromptKind.DO, "Unplug the motor controllers' battery now.", "unplug_motor", role=Role.CRAFT,
        timeout_s=120.0,
    )  # fmt: skip
    return right


def _shown(ctx: Context, lesson: Lesson, channel: int, reading: str, text: str, action: str) -> bool:
    """Whether an end point was taken, by the tones that a person hears; else no pulse is left."""
    heard = _hear(ctx, lesson, text, action, _TONES)
    ctx.read(named(ctx, channel, reading), int(heard == _HEARD), "", 1, source=Source.OPERATOR, note=heard)
    if heard == _HEARD:
        return True
    _take_away(ctx, channel, heard)
    if heard != TURNS:
        ctx.fail(
            f"the controller at output {channel} gave no tones: its end points are not taught in this way (its manual "
            "says how), or no pulse reaches it (signal and ground lead)"
        )
    return False


def _rests(ctx: Context, lesson: Lesson, channel: int, rest: str) -> bool:
    text = f"The {rest} pulse goes out on output {channel}. What does it give as it takes that and arms?"
    heard = _hear(ctx, lesson, text, "hear_start", (*SOUNDS, NOTHING, TURNS))
    right = heard in SOUNDS
    ctx.read(named(ctx, channel, "taught"), int(right), "", 1, source=Source.OPERATOR, note=heard)
    if right:
        return True
    _take_away(ctx, channel, heard)
    if heard != TURNS:
        ctx.fail(f"the controller at output {channel} has taken full, but not {rest}: teach it again")
    return False


def _hear(ctx: Context, lesson: Lesson, text: str, action: str, choices: tuple[str, ...]) -> str:
    prompt = ctx.prompt(ev.PromptKind.CHOICE, text, action, role=Role.CRAFT, choices=choices, timeout_s=60.0)
    return ctx.answer(prompt, meanwhile=lesson.keep).strip()


def _take_away(ctx: Context, channel: int, heard: str) -> None:
    drive_of(ctx, channel).take_away()
    if heard == TURNS:
        ctx.fail(
            f"a motor turned while output {channel} was taught; the pulses have been taken away. Look which "
            "controller is plugged in there, and how its manual has it taught"
        )


STAGE = Stage(
    kind="teach_esc",
    title="Teaching the end points",
    instruction=(
        "Propellers off, craft tied down, motors' battery UNPLUGGED. Full throttle goes out before a controller gets "
        "power: do what is asked, when it is asked, and nothing else."
    ),
    needs=Needs(
        roles=(Role.CRAFT,), required=("before_power", "identity", "outputs"), operator=True,
        wired=((Role.CRAFT, "motor"),),
    ),
    perform=perform,
    by_air="a motor controller is taught over a cable only",
    parameters=(Parameter("output", 0, "controller to teach, by its pulse output; 0: all in turn", "", 0, 6),),
    measures=(
        ReadingSpec(
            "full_taken", "", "full throttle taken (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the motor controller gave its tones with full throttle standing: it then learns the end. "
                  "Usual: yes.",
        ),
        ReadingSpec(
            "backward_taken", "", "full backwards taken (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether a reversible motor controller gave its tones with full backwards standing. Usual: yes.",
        ),
        ReadingSpec(
            "taught", "", "armed on idle right after (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the motor controller armed on the idle pulse it was taught. Usual: yes.",
        ),
    ),
    expected_s=lambda p: 30.0,
    spins=True,
)  # fmt: skip
