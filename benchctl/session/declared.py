"""How the owner says a board is wired: what the session may write into its settings, and what stages may use.

This is the owner's statement from the bench file, never the modelled truth behind a simulated bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchctl.wire.catalogue import Function, PulseKind


@dataclass(frozen=True, slots=True)
class Declared:
    """label: what the bench expects, "" for any. pins: function to pin code, for functions that differ from the
    firmware's defaults or are there at all. pulse_kinds: of channels 1 to 6. settings: by catalogue name.
    wires: jumpers as ("craft.pulse1", "hand.capture") pairs that touch this board.
    brown_out_v: level of the brown-out detector as fused, 0 for off, None for not known.
    usb_apart: the board keeps USB and battery supply apart. loads_ma: what the owner knows things to draw.
    """

    label: str = ""
    pins: Mapping[Function, int] = field(default_factory=dict)
    pulse_kinds: tuple[PulseKind, ...] = ()
    settings: Mapping[str, int] = field(default_factory=dict)
    wires: tuple[tuple[str, str], ...] = ()
    brown_out_v: float | None = None
    usb_apart: bool = False
    loads_ma: Mapping[str, float] = field(default_factory=dict)

    def wired(self, start: str, end: str) -> bool:
        """Whether a jumper joins the two points, "role.function" each, in either direction."""
        return (start, end) in self.wires or (end, start) in self.wires
