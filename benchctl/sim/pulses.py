"""Six pulse outputs driven by timers, as in `firmware_probe/hw_pulse.cpp`: a width is taken when its pulse begins."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.parts.agenda import Entry
from benchctl.sim.probe import Probe
from benchctl.sim.settings import CHANNELS
from benchctl.wire.catalogue import NO_PIN

#: ticks from the order to the first pulse
START_DELAY = 400
#: pins with a compare unit: no jitter; others are switched by an interrupt
_COMPARE = (0x11, 0x12)
#: seconds by which an edge made by an interrupt comes late, at most (it waits for the very tick; what is left is code)
_LATE = 1e-6


@dataclass(slots=True)
class _Train:
    pin: int = NO_PIN
    running: bool = False
    width: int = 0  # ticks, of the next pulse; 0: none
    entry: Entry | None = None
    due: float = 0.0  # when the next pulse begins, without lateness


class Pulses:
    """frame: ticks from pulse to pulse. Channels count from 1."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.frame = 40_000
        self._trains = [_Train() for _ in range(CHANNELS)]

    def unbind_all(self) -> None:
        """All outputs low and forgotten."""
        for number, train in enumerate(self._trains):
            if train.entry is not None:
                train.entry.cancel()
            if train.pin != NO_PIN:
                self.probe.hardware.drive(train.pin, 0)
            self._trains[number] = _Train()

    def bind(self, channel: int, pin: int) -> None:
        self.probe.hardware.drive(pin, 0)
        self._trains[channel - 1] = _Train(pin)

    def pins(self) -> set[int]:
        return {train.pin for train in self._trains if train.pin != NO_PIN}

    def width(self, channel: int) -> int:
        """Ticks that the next pulse will have."""
        return self._trains[channel - 1].width

    def put_out(self, channel: int, ticks: int) -> None:
        """For the guard alone. 0: no pulses."""
        train = self._trains[channel - 1]
        if train.pin == NO_PIN:
            return
        train.width = ticks
        if train.running or not ticks:
            return
        train.running = True
        spread = 0 if train.pin in _COMPARE else (channel - 1) * (self.frame >> 3)
        train.due = self.probe.agenda.now + self.probe.seconds(START_DELAY + spread)
        train.entry = self.probe.at(train.due, self._rise, train)

    def _rise(self, train: _Train) -> None:
        if not train.width:
            train.running = False
            return
        width = train.width
        self.probe.hardware.drive(train.pin, 1)
        train.entry = self.probe.at(train.due + self.probe.seconds(width) + self._late(train), self._fall, train)

    def _fall(self, train: _Train) -> None:
        self.probe.hardware.drive(train.pin, 0)
        train.running = bool(train.width)
        if train.running:
            train.due += self.probe.seconds(self.frame)
            train.entry = self.probe.at(train.due + self._late(train), self._rise, train)

    def _late(self, train: _Train) -> float:
        return 0.0 if train.pin in _COMPARE else self.probe.chance.random() * _LATE
