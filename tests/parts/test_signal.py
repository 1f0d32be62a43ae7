"""Signals tell changes only, in the order of connection."""

from __future__ import annotations

from benchctl.parts.signal import Signal


def test_only_changes_are_told_and_in_order() -> None:
    line, heard = Signal("line", 1.0), []
    line.connect(lambda level, time: heard.append(("first", level, time)))
    line.connect(lambda level, time: heard.append(("second", level, time)))
    line.set(1.0, 0.5)
    line.set(0.0, 1.0)
    line.set(0.0, 2.0)
    assert heard == [("first", 0.0, 1.0), ("second", 0.0, 1.0)]
    assert line.level == 0.0
