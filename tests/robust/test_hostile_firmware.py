"""Hostile bytes into the real firmware, a sample; `tests/campaigns/hostile_wire.py avr` feeds millions."""

from __future__ import annotations

import pytest
from firmware_wire import BYTES_A_START, GENERATORS, feed
from needs import need_avr


@pytest.mark.parametrize("generator", GENERATORS)
def test_it_comes_back_and_wears_nothing(generator: str) -> None:
    """After each batch identity within a second; EEPROM written for starts and saves only; the motor pin stays idle."""
    need_avr()
    tally = feed(generator, 24_000)

    assert tally.looks >= 12
    assert tally.late == tally.accidents == 0
    if generator == "mutated session":
        assert tally.frames > 500  # many pass whole and are obeyed
        assert tally.written <= BYTES_A_START * tally.starts
