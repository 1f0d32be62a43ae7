"""The guard's rules, one story each, told to the modelled and to the compiled firmware."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from needs import need_avr
from proof_rig import Rig
from scenarios import SCENARIOS


@pytest.fixture(scope="module", params=("sim", "avr"))
def shared(request: pytest.FixtureRequest) -> Iterator[Rig]:
    if request.param == "avr":
        need_avr()
    rig = Rig(request.param)
    yield rig
    rig.close()


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenario(shared: Rig, name: str) -> None:
    shared.fresh()

    SCENARIOS[name](shared)
