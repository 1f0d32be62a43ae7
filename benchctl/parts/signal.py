"""Named signals between parts and pins: a level with edges, told in the order of connection."""

from __future__ import annotations

from collections.abc import Callable

#: told the new level and the time of the change
Listener = Callable[[float, float], object]


class Signal:
    """A level that changes at instants: 0.0 or 1.0 on digital lines, volts on analog ones."""

    __slots__ = ("_listeners", "level", "name")

    def __init__(self, name: str, level: float = 0.0) -> None:
        self.name = name
        self.level = level
        self._listeners: list[Listener] = []

    def set(self, level: float, time: float) -> None:
        """Change the level; listeners hear only of changes."""
        if level != self.level:
            self.level = level
            for listener in self._listeners:
                listener(level, time)

    def connect(self, listener: Listener) -> None:
        """`listener` hears every later change."""
        self._listeners.append(listener)
