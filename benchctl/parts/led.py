"""An LED with its resistor: lights when it is driven and the right way round, and draws its current."""

from __future__ import annotations

from benchctl.benchfile import LedSpec
from benchctl.parts.rail import Rail
from benchctl.parts.signal import Signal

#: output resistance of the chip's pin: about 25 Ω at 5 V, from the data sheet's typical curves (from memory)
PIN_OHMS = 25.0
#: the least current whose light a person notices at a desk; no source
SEEN_A = 0.2e-3
#: and of one that is shaded and looked at closely; no source
GLIMMER_A = 20e-6


class Led:
    """`lit` is 1 while light is to be seen; `lights` are the times at which it went on. `glimmers`: the times at which
    a weak current through a pull-up made it glow."""

    def __init__(self, name: str, spec: LedSpec, rail: Rail | None) -> None:
        self.name = name
        self.spec = spec
        self.lit = Signal(f"{name} light", 0.0)
        self.lights: list[float] = []
        self.glimmers: list[float] = []
        self._rail = rail
        self._driven = False

    def drive(self, level: float, time: float) -> None:
        """The pin's level; a pin that floats is to be given as its dark level."""
        driven = (level < 0.5) if self.spec.active_low else (level >= 0.5)
        if driven == self._driven:
            return
        self._driven = driven
        amps = self._amps(time) if driven else 0.0
        if self._rail is not None:
            self._rail.set_load(self.name, amps + (self.spec.extra_ma * 1e-3 if driven else 0.0), time)
        if amps >= SEEN_A and not self.lit.level:
            self.lights.append(time)
        self.lit.set(1.0 if amps >= SEEN_A else 0.0, time)

    def glimmer(self, amps: float, time: float) -> None:
        """A current from elsewhere than a driven pin runs through it."""
        if amps >= GLIMMER_A:
            self.glimmers.append(time)

    def _amps(self, time: float) -> float:
        spec = self.spec
        if not spec.fitted or spec.reversed or spec.open:
            return 0.0
        volts = self._rail.volts(time) if self._rail is not None else 5.0
        return max(0.0, (volts - spec.forward_v) / (spec.series_ohms + PIN_OHMS))

    def blinks_since(self, time: float) -> int:
        """How often it went on at or after `time`."""
        return sum(1 for at in self.lights if at >= time)
