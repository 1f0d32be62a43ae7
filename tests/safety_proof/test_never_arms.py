"""Any bytes never arm; the campaign feeds ten million: `tests/campaigns/arming_fuzz.py`."""

from __future__ import annotations

import pytest
from fuzz_feed import GENERATORS, feed


@pytest.mark.parametrize("generator", GENERATORS)
def test_bytes_never_arm(avr: str, generator: str) -> None:
    figures = feed(generator, 50_000)

    assert figures.bytes_fed >= 50_000
    assert figures.pulses > 20  # the pin was alive
    if generator != "random bytes":
        assert figures.frames > 100  # and the board took them for requests
        assert figures.challenges > 0
