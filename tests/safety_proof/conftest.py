"""The avr kind is skipped where its tools are missing, unless BENCHCTL_REQUIRE_AVR forbids that."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from needs import need_avr
from proof_rig import Rig


@pytest.fixture(params=("sim", "avr"))
def kind(request: pytest.FixtureRequest) -> str:
    if request.param == "avr":
        need_avr()
    return str(request.param)


@pytest.fixture
def avr() -> str:
    need_avr()
    return "avr"


@pytest.fixture
def rig() -> Iterator[Callable[..., Rig]]:
    """rig(kind): a rig, closed when the test ends."""
    made: list[Rig] = []

    def make(*args: object, **more: object) -> Rig:
        made.append(Rig(*args, **more))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.close()
