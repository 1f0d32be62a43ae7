"""The guard's rules, one story each, told to the modelled and to the compiled firmware."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from needs import need_avr
from proof_rig import WIRINGS, Rig
from scenarios import SCENARIOS

#: of the scenarios, those that are about the pins
PINS = {"the right way works", "frames and levels are as told", "a pulse that is cut falls"}


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


@pytest.fixture(scope="module", params=[wiring for wiring in WIRINGS if wiring])
def otherwise(request: pytest.FixtureRequest) -> Iterator[Rig]:
    need_avr()
    rig = Rig("avr", wiring=request.param)
    yield rig
    rig.close()


@pytest.mark.parametrize("name", [n if n in PINS else pytest.param(n, marks=pytest.mark.long) for n in SCENARIOS])
def test_scenario_soldered_otherwise(otherwise: Rig, name: str) -> None:
    """The same with a slower chip, and with the motor on a pin that an interrupt switches."""
    otherwise.fresh()

    SCENARIOS[name](otherwise)
