"""The owner's wiring of one board, from the pair file and nothing else."""

from __future__ import annotations

from benchctl.pairfile import AMPLIFIED_MA, BoardFacts, PairSpec
from benchctl.pairfile.pins import FUNCTIONS, PULSES, SWITCHES, code
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.pairing import pair_name
from benchctl.terms import Role
from benchctl.wire.catalogue import NO_PIN, SETTING_BY_NAME, Function, PulseKind

_KINDS = {"servo": PulseKind.SERVO, "motor": PulseKind.MOTOR}
REVERSIBLE = "reversible"


def owner_wiring(pair: PairSpec, role: Role, label: str = "", via: str = "") -> OwnerWiring:
    """The wiring of one board. label: in place of the pair file's. via: role of the board that relays to it.

    A pair without that board declares nothing but the label.
    """
    facts = pair.boards.get(role)
    if facts is None:
        return OwnerWiring(label=label)
    return OwnerWiring(
        label=label or facts.label,
        pins=_pins(facts),
        pulse_kinds=tuple(_kind(facts, name) for name in PULSES) if role is Role.CRAFT else (),
        settings=_settings(facts, via),
        wires=tuple((jumper.start, jumper.to) for jumper in pair.jumpers),
        brown_out_v=facts.supply.brown_out_v,
        usb_apart=facts.supply.usb_apart,
        loads_ma=_loads_ma(facts),
        facts=facts,
        pair=pair.name,
        joint=_joint(pair),
    )


def _joint(pair: PairSpec) -> str:
    labels = [pair.boards[role].label for role in (Role.HAND, Role.CRAFT) if role in pair.boards]
    return "" if len({pair_name(label) for label in labels}) < 2 else "+".join(labels)


def _pins(facts: BoardFacts) -> dict[Function, int]:
    """Of every function with a pin of the owner's choice: what nobody has stated is nowhere."""
    return {Function[name.upper()]: code(port) if (port := facts.pin(name)) else NO_PIN for name in FUNCTIONS}


def _kind(facts: BoardFacts, name: str) -> PulseKind:
    output = facts.output.get(name)
    if output is not None and output.drives == "motor" and output.ways == REVERSIBLE:
        return PulseKind.REVERSIBLE
    return _KINDS.get(output.drives or "", PulseKind.NONE) if output is not None else PulseKind.NONE


def _settings(facts: BoardFacts, via: str) -> dict[str, int]:
    out = {name: int(value) for name, value in facts.settings.items() if isinstance(value, int)}
    out["self_stimulus"] = int(facts.self_stimulus_safe is True)
    if facts.led.lights is not None:
        out["led_active_low"] = int(facts.led.lights == "low")
    closing = {name: facts.switch[name].closes_to for name in SWITCHES if name in facts.switch and facts.pin(name)}
    if any(closing.values()):
        out["switch_to_supply"] = sum((closing.get(name) == "supply") << bit for bit, name in enumerate(SWITCHES))
    if facts.radio.rail_divider is not None:
        out["rail_divider"] = round(1000 * facts.radio.rail_divider)
    for channel, output in facts.outputs():
        stated = {"servo_min_us": output.least_us, "servo_max_us": output.most_us}
        if output.drives == "motor":
            idle = "neutral_us" if output.ways == REVERSIBLE else "idle_us"
            widths = ((f"rest{channel}_us", idle, output.idle_us), (f"full{channel}_us", "full_us", output.full_us))
            stated = {}
            # the board has a width for all of a kind; what differs from it is told for the one output
            for own, name, us in widths:
                of_all = facts.settings.get(name, SETTING_BY_NAME[name].default)
                wanted = int(of_all) if us is None else round(us)
                out[own] = wanted if out.setdefault(name, wanted) != wanted else 0
        out.update({name: round(us) for name, us in stated.items() if us is not None and name not in out})
    if via:
        out["air_reach"] = 1
    return out


#: forward voltage of a small LED (common practice, no source); its current follows from the supply and the resistor
_LED_V = 2.0


def _loads_ma(facts: BoardFacts) -> dict[str, float]:
    """What the owner knows things to draw: a transceiver with an amplifier; the LED, with what hangs beside it."""
    known = {}
    if facts.radio.kind == "amplified":
        known["transmit"] = AMPLIFIED_MA
    if facts.led.resistor_ohms and facts.supply.logic_v:
        lit = 1000 * (facts.supply.logic_v - _LED_V) / facts.led.resistor_ohms
        known["led"] = lit + (facts.led.beside_ma or 0.0)
    return known
