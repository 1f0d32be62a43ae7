"""Watched lines: a pin-change interrupt reads the level after its latency, so the shortest bounces go unseen.

All lines share the interrupt: an edge that comes while another is dealt with is stamped when that is done.
"""

from __future__ import annotations

from collections.abc import Callable

from benchctl.sim.probe import Probe

#: told (level, tick of the interrupt)
OnEdge = Callable[[int, int], object]


class Turn:
    """The port interrupts' time: one after the other."""

    def __init__(self, probe: Probe) -> None:
        self._probe = probe
        self._last = -1.0

    def next(self, time: float) -> float:
        """When an edge is stamped that would be at `time` if nothing else was."""
        t = self._probe.timing
        again = t.isr_again_least + self._probe.chance.random() * (t.isr_again_most - t.isr_again_least)
        self._last = max(time, self._last + again)
        return self._last


class Line:
    """One watched pin; several listeners share its interrupt."""

    def __init__(self, probe: Probe, pin: int, turn: Turn) -> None:
        self.pin = pin
        self.listeners: list[OnEdge] = []
        self._probe = probe
        self._turn = turn
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
            self._probe.at(self._turn.next(time + self._probe.isr()), self._interrupt)

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
        self._turn = Turn(probe)

    def watch(self, pin: int, listener: OnEdge) -> int:
        """From now on; returns the level now."""
        line = self._lines.get(pin)
        if line is None:
            line = self._lines[pin] = Line(self._probe, pin, self._turn)
        if listener not in line.listeners:
            line.listeners.append(listener)
        return line.refresh()

    def forget(self, pin: int, listener: OnEdge) -> None:
        line = self._lines.get(pin)
        if line is not None and listener in line.listeners:
            line.listeners.remove(listener)
