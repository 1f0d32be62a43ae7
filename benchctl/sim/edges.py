"""Watched lines: a pin-change interrupt reads the level after its latency, so the shortest bounces go unseen."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.sim.probe import Probe

#: told (level, tick of the interrupt)
OnEdge = Callable[[int, int], object]


class Line:
    """One watched pin; several listeners share its interrupt."""

    def __init__(self, probe: Probe, pin: int) -> None:
        self.pin = pin
        self.listeners: list[OnEdge] = []
        self._probe = probe
        self._level = probe.hardware.level(pin)
        self._pending = False
        probe.hardware.listen(pin, self._changed)

    def refresh(self) -> int:
        """The level now, taken as known."""
        self._level = self._probe.hardware.level(self.pin)
        return self._level

    def _changed(self, level: float, time: float) -> None:
        if self.listeners and not self._pending:
            self._pending = True
            self._probe.at(time + self._probe.isr(), self._interrupt)

    def _interrupt(self) -> None:
        self._pending = False
        level = self._probe.hardware.level(self.pin)
        if level != self._level:
            self._level = level
            at = self._probe.tick()
            for told in tuple(self.listeners):
                told(level, at)


class Lines:
    """Watched pins by code."""

    def __init__(self, probe: Probe) -> None:
        self._probe = probe
        self._lines: dict[int, Line] = {}

    def watch(self, pin: int, listener: OnEdge) -> int:
        """From now on; returns the level now."""
        line = self._lines.get(pin)
        if line is None:
            line = self._lines[pin] = Line(self._probe, pin)
        if listener not in line.listeners:
            line.listeners.append(listener)
        return line.refresh()

    def forget(self, pin: int, listener: OnEdge) -> None:
        line = self._lines.get(pin)
        if line is not None and listener in line.listeners:
            line.listeners.remove(listener)
