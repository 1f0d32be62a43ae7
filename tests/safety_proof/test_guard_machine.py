"""Any order of anything: above idle on the pin only while every condition holds, idle in time after one goes."""

from __future__ import annotations

from guard_machine import machine
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

EXAMPLES, STEPS = {"sim": 25, "avr": 6}, 30


def test_random_interleavings(kind: str) -> None:
    """The campaign does the same for long: `tests/campaigns/guard_machine.py`."""
    made = machine(kind)
    run_state_machine_as_test(
        made,
        settings=settings(
            max_examples=EXAMPLES[kind],
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
            # a failing example is long to make small; the campaign does
            phases=(Phase.explicit, Phase.generate),
        ),
    )
    assert made.above > 20, "the machine never got a motor to turn"
