"""Before power: what the operator checks by eye and by meter while nothing is plugged in."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.safety.attestation import challenge, matches
from benchctl.safety.cautions import CAUTIONS
from benchctl.stages.contract import Context, Measure, Needs, Stage
from benchctl.terms import Limit, Role, Source

#: (name, text): confirmed one by one with a word to type back
_CHECKS: tuple[tuple[str, str], ...] = (
    ("unpowered", "Nothing is plugged in: no USB cable, no battery, on either board."),
    ("polarity", "Supply leads and connectors have plus and minus where the drawing has them."),
    ("bridges", "Under a lens no solder bridges two pins of the processor, the USB chip or the transceiver header."),
    ("orientation", "Processor, regulator, electrolytic capacitors and LEDs sit the way the drawing shows."),
    ("radio_capacitor", "A capacitor of 10 µF or more sits directly at the transceiver's supply pins."),
    ("props_off", "Propellers and fans are off every motor, and the battery is away from the bench."),
)
_APART = (
    "usb_or_battery",
    "You will plug in USB or the battery, never both on one board, unless its drawing keeps the two supplies apart.",
)
#: (rail, reading, text): measured against ground with the board unpowered
_RAILS = (("main", "processor supply"), ("radio", "transceiver supply"))


def perform(ctx: Context) -> None:
    for caution in CAUTIONS:
        ctx.note(f"{caution.topic}: {caution.text}", "caution")
    for name, text in (*_CHECKS, _APART):
        if not _confirmed(ctx, name, text):
            ctx.fail(f"not confirmed: {text}")
            return
    ctx.read("checks", len(_CHECKS) + 1, "", len(_CHECKS) + 1, source=Source.OPERATOR, note="confirmed by typed word")
    for role in (Role.HAND, Role.CRAFT):
        for rail, title in _RAILS:
            _measure(ctx, role, rail, title)


def _confirmed(ctx: Context, name: str, text: str) -> bool:
    word = challenge(ctx.bench.chance)
    shown = f'{text} If this is so and you have looked, type the word "{word}"; anything else means no.'
    answer = ctx.ask(ev.PromptKind.WORD, shown, "attest", detail=f"{name} {word}", timeout_s=600.0)
    accepted = matches(word, answer)
    ctx.emit(ev.Attestation(ctx.now(), ctx.stage, name, text, word, answer, accepted, ctx.now()))
    return accepted


def _measure(ctx: Context, role: Role, rail: str, title: str) -> None:
    text = (
        f"{role} board, unpowered: ohms from {title} to ground, red lead on the supply; wait until the reading stands"
    )
    for _ in range(3):
        answer = ctx.ask(
            ev.PromptKind.NUMBER,
            text,
            "meter",
            role=role,
            detail=f"rail.{rail}.ohms_to_ground",
            unit="ohm",
            timeout_s=600.0,
        )
        value = parse_number(answer)
        if value is not None:
            ctx.read(f"{role}.{rail}_ohms", value, "ohm", 1, source=Source.OPERATOR, note="rail to ground, unpowered")
            return
        ctx.note(f"{answer!r} is no number; expected ohms, like 4700 or 4.7k", "warning")
    ctx.doubt(f"no ohms were given for the {role} board's {title}")


def parse_number(text: str) -> float | None:
    """A typed meter value: "4700", "4,7k", "2.2M", "OL" (overload: open) as infinity; None when it is none."""
    word = text.strip().replace(",", ".").replace(" ", "")
    if word.upper() in ("OL", "INF", "OPEN"):
        return float("1e9")
    factor = {"k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3}.get(word[-1:], 1.0)
    try:
        value = float(word[:-1] if factor != 1.0 else word) * factor
    except ValueError:
        return None
    return value if value == value and abs(value) != float("inf") else None


STAGE = Stage(
    kind="before_power",
    title="Before power",
    instruction="Boards on the bench, nothing plugged in; a lens and a meter at hand.",
    needs=Needs(operator=True),
    perform=perform,
    by_air="",
    measures=(
        Measure("checks", "", "checks by eye", Limit(min=len(_CHECKS) + 1), "same", 0.5, ""),
        # a short reads ohms; a healthy rail with its capacitors charged reads kilo-ohms (common practice, no source)
        Measure("main_ohms", "ohm", "processor supply to ground, unpowered", Limit(min=100.0), "same", 50, "%"),
        Measure("radio_ohms", "ohm", "transceiver supply to ground, unpowered", Limit(min=100.0), "same", 50, "%"),
    ),
    expected_s=lambda p: 90.0,
)
