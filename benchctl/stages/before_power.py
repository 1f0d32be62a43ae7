"""Before power: what the operator checks by eye and by meter while nothing is plugged in."""

from __future__ import annotations

from benchctl.safety.attestation import Statement
from benchctl.safety.attesting import confirmed
from benchctl.safety.cautions import CAUTIONS
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, ReadingSpec, Stage
from benchctl.stages.metering import metered
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import PulseKind

#: what belongs to one hazard is confirmed together, with one word to type back
_CHECKS: tuple[tuple[Statement, ...], ...] = (
    (
        Statement("unpowered", "Nothing is plugged in: no USB cable, no battery, on either board."),
        Statement("props_off", "Propellers and fans are off every motor, and the battery is away from the bench."),
    ),
    (
        Statement("polarity", "Supply leads and connectors have plus and minus where the drawing has them."),
        Statement("bridges", "Under a lens no solder bridges two pins of processor, USB chip or transceiver header."),
        Statement("orientation", "Processor, regulator, electrolytic capacitors and LEDs sit as the drawing shows."),
        Statement("radio_capacitor", "10 µF or more sit directly at the transceiver's supply pins."),
    ),
)
_COUNT = sum(map(len, _CHECKS)) + 1
#: by whether the craft keeps the two supplies apart; what to lift is said by the stage that wants the battery
_USB = {
    True: "You will plug in USB; a battery beside it only when a stage asks for it. The drawing keeps the two apart.",
    False: "You will plug in USB, and no battery beside it until a stage has said what to lift first.",
}
#: by what feeds the servos; those on the craft's own supply have no other
_SERVOS = {
    "own": " The servos' supply stays off as well, until a stage asks for it.",
    "motor battery": " The servos' plus is the battery's: a stage says how to feed them without it.",
    None: " A supply that the servos have of their own stays off as well, until a stage asks for it.",
}
#: (rail, reading, text): measured against ground with the board unpowered
_RAILS = (("main", "processor supply"), ("radio", "transceiver supply"))


def perform(ctx: Context) -> None:
    for caution in CAUTIONS:
        ctx.note(f"{caution.topic}: {caution.text}", "caution")
    craft = ctx.bench.boards.get(Role.CRAFT)
    apart = Statement("usb_or_battery", _about_supplies(craft))
    for statements in (*_CHECKS, (apart,)):
        unpowered = any(s.name == "unpowered" for s in statements)
        against = ctx.bench.plugged_in if unpowered else tuple
        if not confirmed(ctx, statements, lambda name, now: now, timeout_s=600.0, against=against):
            ctx.doubt(f"not confirmed: {' '.join(s.text for s in statements)}")
            return
    ctx.read("checks", _COUNT, "", _COUNT, source=Source.OPERATOR, note="confirmed by typed word")
    for role in (Role.HAND, Role.CRAFT):
        for rail, title in _RAILS:
            _measure(ctx, role, rail, title)


def _about_supplies(craft: Board | None) -> str:
    """What is plugged in from now on, and what is not: USB, the motors' battery, the servos' supply."""
    if craft is None:
        return _USB[False]
    servos = any(kind is PulseKind.SERVO for kind in craft.wiring.pulse_kinds)
    return _USB[craft.wiring.usb_apart is True] + (
        _SERVOS.get(craft.wiring.facts.supply.servo_fed_by, "") if servos else ""
    )


def _measure(ctx: Context, role: Role, rail: str, title: str) -> None:
    text = (
        f"{role} board, unpowered: ohms from {title} to ground, red lead on the supply; wait until the reading stands"
    )
    value = metered(ctx, role, text, f"rail.{rail}.ohms_to_ground", "ohm")
    if value is not None:
        ctx.read(f"{role}.{rail}_ohms", value, "ohm", 1, source=Source.OPERATOR, note="rail to ground, unpowered")
    else:
        ctx.doubt(f"no ohms were given for the {role} board's {title}")


STAGE = Stage(
    kind="before_power",
    title="Before power",
    instruction="Boards on the bench, nothing plugged in; a lens and a meter at hand.",
    needs=Needs(operator=True),
    perform=perform,
    by_air="",
    measures=(
        ReadingSpec(
            "checks", "", "checks by eye", Limit(min=_COUNT), "same", 0.5, "",
            about="How many of the checks by eye were confirmed; each is a fault that power would turn into damage. "
                  "Usual: all.",
        ),
        # a short reads ohms; a healthy rail with its capacitors charged reads kilo-ohms (common practice, no source)
        ReadingSpec(
            "main_ohms", "ohm", "processor's supply to ground, unpowered", Limit(min=100.0), "same", 50, "%",
            about="Resistance by meter before any power; a few ohms are a short. Usual: some kΩ once the capacitors "
                  "are charged (common practice, no source).",
        ),
        ReadingSpec(
            "radio_ohms", "ohm", "transceiver's supply to ground, unpowered", Limit(min=100.0), "same", 50, "%",
            about="Resistance by meter before any power; a few ohms are a short. Usual: some kΩ once the capacitors "
                  "are charged (common practice, no source).",
        ),
    ),
    expected_s=lambda p: 90.0,
    before_power=True,
)  # fmt: skip
