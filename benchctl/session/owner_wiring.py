"""How the owner says a board is wired: what the session may write into its settings, and what stages may use.

This is the owner's statement from the pair file, never the modelled truth behind a simulated bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchctl.pairfile import BoardFacts
from benchctl.terms import Role
from benchctl.wire.catalogue import MOTOR_KINDS, NO_PIN, Function, PulseKind


@dataclass(frozen=True, slots=True)
class OwnerWiring:
    """label: what the bench expects, "" for any. pins: the pin code of every function, `NO_PIN` where it is not wired
    or unknown; empty without a pair file. pulse_kinds: of channels 1 to 6, as their owner declares what is plugged in.
    settings: by catalogue name, those that the pair file says. wires: jumpers as ("craft.pulse1", "hand.capture").
    brown_out_v: level of the brown-out detector as fused, 0 for off, None for not known.
    usb_apart: the board keeps USB and battery supply apart, None for not known. loads_ma: what the owner knows things
    to draw, by "led" and "transmit". facts: the board's part of the pair file. pair: the pair's name, "" without one.
    joint: what both boards take address, channel and pair number from where their labels have no common name, else "".
    """

    label: str = ""
    pins: Mapping[Function, int] = field(default_factory=dict)
    pulse_kinds: tuple[PulseKind, ...] = ()
    settings: Mapping[str, int] = field(default_factory=dict)
    wires: tuple[tuple[str, str], ...] = ()
    brown_out_v: float | None = None
    usb_apart: bool | None = None
    loads_ma: Mapping[str, float] = field(default_factory=dict)
    facts: BoardFacts = field(default_factory=BoardFacts)
    pair: str = ""
    joint: str = ""

    def wired(self, start: str, end: str) -> bool:
        """Whether a jumper joins the two points, "role.function" each, in either direction."""
        return (start, end) in self.wires or (end, start) in self.wires

    def has(self, function: Function) -> bool:
        """Whether the function is declared to have a pin."""
        return self.pins.get(function, NO_PIN) != NO_PIN

    def lacks(self, role: Role, what: str) -> str:
        """Why the board has not, or is not known to have, what a stage needs of it; "" when it has.

        what: a pin's function; "servo", "motor": such a pulse output; "sensor": the inertial sensor.
        """
        if what == "sensor":
            return f"the {role} unit has no inertial sensor" if self.facts.sensor.fitted is False else ""
        if what in ("servo", "motor"):
            kinds = MOTOR_KINDS if what == "motor" else (PulseKind.SERVO,)
            return "" if any(kind in self.pulse_kinds for kind in kinds) else self._no_output(role, what)
        if self.has(Function[what.upper()]):
            return ""
        if not self.pins:
            # without a pair file the boards may know their transceivers' pins; of all else nothing is known
            return "" if what.startswith("radio_") else f"no pair file says where the {role} unit's {what} is (--pair)"
        if what in self.facts.pins:
            return f"the {role} unit has no {what}"
        return f"nobody has said where the {role} unit's {what} is: set board.{role}.pins.{what} in the pair file"

    def _no_output(self, role: Role, what: str) -> str:
        if not self.pair:
            return f"no pair file says which pulse output of the {role} unit drives a {what} (--pair)"
        return f"no pulse output of the {role} unit is declared as a {what}: board.{role}.output.NAME.drives"

    def channel(self, kind: PulseKind) -> int:
        """The first pulse output of that kind, counted from 1; 0 where none is declared."""
        return self.pulse_kinds.index(kind) + 1 if kind in self.pulse_kinds else 0
