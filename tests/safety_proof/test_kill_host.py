"""The host dies while the motor turns: the board brings it to idle by itself, in the time that is promised."""

from __future__ import annotations

import pytest
from killing import ON_THE_WAY_S, PROMISED_S, kills


@pytest.mark.long
def test_a_killed_script(avr: str) -> None:
    """`with open_bench(...)` says nothing more once it is killed: the board's guard does the rest."""
    (kill,) = kills(1, seed=5, through="script")

    assert kill.throttle_us > 1000
    assert kill.idle_after <= PROMISED_S + ON_THE_WAY_S


def test_killed_hosts(avr: str) -> None:
    """Fifty in the campaign: `tests/campaigns/kill_ramp.py`."""
    done = kills(3, seed=4)

    assert len(done) == 3
    for kill in done:
        assert kill.throttle_us > 1000
        assert kill.idle_after <= PROMISED_S + ON_THE_WAY_S
