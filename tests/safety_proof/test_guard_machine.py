"""Any order of anything: above idle on the pin only while every condition holds, idle in time after one goes."""

from __future__ import annotations

import pytest
from guard_machine import machine, run_short, told
from proof_rig import WIRINGS


def checked(kind: str, examples: int, wiring: str = "") -> None:
    made = machine(kind, wiring=wiring)
    run_short(made, examples)
    assert made.above > 20, "the machine never got a motor to turn"
    print(told(made))
    live = sum(n for (_, to), n in made.changes.items() if to == "live")
    assert live >= 3 * examples, "the machine hardly ever got a motor live"


def test_random_interleavings() -> None:
    """The campaign does the same for long: `tests/campaigns/guard_machine.py`."""
    checked("sim", 4)


@pytest.mark.long
@pytest.mark.parametrize("wiring", WIRINGS)
def test_random_interleavings_on_the_image(avr: str, wiring: str) -> None:
    """Also on a slower chip, and with the motor on a pin that an interrupt switches."""
    checked(avr, 3 if wiring else 6, wiring)
