"""A sample of the hostile wire campaign: mutated frames through deframer, decoder and exchange."""

from __future__ import annotations

import pytest
from hypothesis import given, settings, target
from hypothesis import strategies as st
from mutants import Watched, campaign, plain_accepts, plain_crc

from benchctl.session.exchange import Exchange
from benchctl.wire import msg


def test_the_second_opinion_knows_the_check_value() -> None:
    """CRC-16/IBM-3740 of "123456789" is 0x29B1 (catalogue of parametrised CRC algorithms)."""
    assert plain_crc(b"123456789") == 0x29B1


@pytest.mark.parametrize("seed", [1, 2])
def test_mutated_frames(seed: int) -> None:
    """None is taken that has a wrong CRC, none that is right is dropped; whatever they hold, nothing raises."""
    tally = campaign(20_000, seed)

    assert tally.accepted > 2000
    assert tally.damaged > 2000
    assert tally.malformed > 500
    assert tally.answered > 0


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_searched_bytes(noise: bytes) -> None:
    """Guided towards bytes that give whole frames; the plain second opinion must agree."""
    exchange, watched = Exchange(), Watched()
    exchange._deframer = watched
    exchange.ask(msg.Clock(), 0.0, 1.0, 0)
    exchange.feed(noise)

    assert watched.seen == [b for b in map(plain_accepts, noise.split(b"\0")[:-1]) if b is not None]
    counts = watched.counts
    target(float(counts.good), label="whole frames")
    target(float(counts.bad_crc), label="right coding, wrong CRC")
