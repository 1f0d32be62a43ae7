"""Things that draw current on command: switched for the hunt, and pulsed for the droop."""

from __future__ import annotations

from benchctl.sim.probe import Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_outputs import TICKS_PER_US, Outputs
from benchctl.sim.probe_radio import Radio
from benchctl.sim.settings import CHANNELS
from benchctl.wire.catalogue import NO_PIN, Error, Function, Load

#: a burst of the transmit load: as long as a payload can be
_BURST = bytes(range(32))
#: between two bursts: interrupt, flags, CE (count)
_BETWEEN = 30e-6
#: a burst that says nothing is given up
BURST_LIMIT = 5e-3


class Loads:
    """`switch` turns one on or off for good; `begin` and `end` do so for one point of a droop."""

    def __init__(self, probe: Probe, base: Base, radio: Radio, outputs: Outputs) -> None:
        self.probe = probe
        self.base = base
        self.radio = radio
        self.outputs = outputs
        self.transmitting = 0  # counts changes; odd while on

    def refusal(self, load: int, on: bool) -> Refusal | None:
        """Why a load cannot be switched now."""
        if not self.possible(load):
            return Refusal(Error.PIN)
        if load == Load.MOTOR_IDLE and not self.outputs.resting:
            return Refusal(Error.GUARDED)
        if load == Load.TRANSMIT and on and not self.transmitting & 1 and self.radio.busy:
            return Refusal(Error.BUSY)
        return None

    def possible(self, load: int) -> bool:
        """Whether this board has such a thing."""
        if load == Load.LED:
            return self.probe.settings.pin(Function.LED) != NO_PIN
        if load == Load.TRANSMIT:
            return True
        return self.outputs.possible(load)

    # ------------------------------------------------------------------ steady

    def switch(self, load: int, on: bool, strength: int) -> Refusal | None:
        """strength: power code of the transmit load, per cent of the servo's travel."""
        if load == Load.LED:
            self.base.set_led(on)
        elif load == Load.TRANSMIT:
            refused = self._transmit(on, strength)
            if refused is not None:
                return refused
        elif load == Load.SERVO:
            self._servo(on, strength)
        else:
            self.outputs.silence_motors(not on)
        self.base.note_load(load, on)
        return None

    def _transmit(self, on: bool, power: int) -> Refusal | None:
        if not on:
            if self.transmitting & 1:
                self.transmitting += 1
                self.radio.release()
                self.probe.busy.free("radio")
            return None
        if not self.transmitting & 1:
            if self.radio.apply():
                return Refusal(Error.PART)
            self.probe.busy.take("radio", "load")
            self.transmitting += 1
            self.probe.later(_BETWEEN, self._burst_again, self.transmitting)
        self.radio.set_power(power)
        return None

    def _burst_again(self, job: int) -> None:
        if job == self.transmitting:
            self.probe.later(self._burst() + _BETWEEN, self._burst_again, job)

    def _burst(self) -> float:
        """One packet that nobody acknowledges; how long it takes."""
        now = self.probe.agenda.now
        if not self.radio.works():
            self.radio.check()
            return BURST_LIMIT
        outcome = self.probe.hardware.transact(_BURST, now, True)
        return max(0.0, outcome.done_time - now) if outcome.on_air else BURST_LIMIT

    def _servo(self, on: bool, percent: int) -> None:
        number = self.probe.settings.number
        least, most = number("servo_min_us"), number("servo_max_us")
        width = least + (most - least) * percent // 100
        for channel in range(1, CHANNELS + 1):
            self.outputs.guard.servo(channel, width * TICKS_PER_US if on else 0)

    # ------------------------------------------------------------------ for the droop

    def droop_refusal(self, load: int) -> Refusal | None:
        """Why a droop cannot be taken with this load; where it can, the load is off and the transceiver ready."""
        if not self.possible(load):
            return Refusal(Error.PIN)
        if not self.outputs.resting:
            return Refusal(Error.GUARDED)
        if load != Load.TRANSMIT:
            self.switch(load, False, 0)
            return None
        if self.radio.busy:
            return Refusal(Error.BUSY)
        return None if self.radio.present() and not self.radio.apply() else Refusal(Error.PART)

    def begin(self, load: int, repeat: int) -> None:
        """The load sets in now: a burst with CE, a servo to one end and the other in turn."""
        if load == Load.TRANSMIT:
            self._burst()
        else:
            self.switch(load, True, 0 if load == Load.SERVO and repeat & 1 else 100)

    def end(self, load: int) -> None:
        if load != Load.TRANSMIT:
            self.switch(load, False, 0)
