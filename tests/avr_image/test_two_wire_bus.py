"""A two-wire bus that a part holds: freed by clocks, and told as such (UM10204, section 3.1.16: nine clocks)."""

from __future__ import annotations

import pytest

from benchctl.avr.chip import Drive, Line
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import TwiLines

SDA, SCL = "PC4", "PC5"


class Holder:
    """A part in the middle of a byte: it lets go of SDA at its `clocks`-th clock, or never."""

    def __init__(self, chip, clocks: int | None) -> None:
        self.chip, self.clocks, self.seen = chip, clocks, 0
        chip.drive(SDA, Line.LOW, 0.0)
        chip.watch_drive(SCL, self._clocked)

    def _clocked(self, drive: Drive, time: float) -> None:
        if drive is not Drive.LOW:
            return
        self.seen += 1
        if self.seen == self.clocks:
            self.chip.drive(SDA, Line.PULLED_UP, time)


@pytest.mark.parametrize("clocks", [1, 4, 9])
def test_a_held_sda_is_freed_and_told(pair, clocks):
    holder = Holder(pair.bench.chips[Role.CRAFT], clocks)
    answer = pair.craft.ask(msg.TwiScan(slow=0), timeout=1.0)

    assert answer.lines == TwiLines.SDA_FREED
    assert holder.seen >= clocks
    assert pair.craft.ask(msg.TwiScan(slow=0), timeout=1.0).lines == 0


def test_an_sda_that_stays_low_is_told(pair):
    Holder(pair.bench.chips[Role.CRAFT], None)

    assert pair.craft.ask(msg.TwiScan(slow=0), timeout=1.0).lines == TwiLines.SDA_HELD


def test_a_held_scl_is_told(pair):
    pair.bench.chips[Role.CRAFT].drive(SCL, Line.LOW, 0.0)

    assert pair.craft.ask(msg.TwiScan(slow=0), timeout=1.0).lines == TwiLines.SCL_HELD


def test_the_slower_speed_finds_the_sensor_too(pair):
    for slow in (0, 1):
        assert 0x68 in pair.craft.ask(msg.TwiScan(slow=slow), timeout=1.0).data
