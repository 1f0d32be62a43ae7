"""Two boards at full rate with the run screen at its own refresh: every frame comes, every packet is counted."""

from __future__ import annotations

import streams
from helpers_line import wire_bytes


def test_no_packet_is_lost_beside_the_screen() -> None:
    """Frames, events, bytes by what the senders sent; 200 kB/s on each of two ports."""
    carried = streams.carry(1.0, loses=False)

    assert carried.frames > 1000
    assert (carried.good, carried.lost_events, carried.lost_bytes) == (carried.frames, 0, 0)
    assert carried.shown >= 1


def test_what_a_sender_loses_is_counted() -> None:
    """The count above can fail: bytes cut out of a stream are missed."""
    data, frames = wire_bytes(0.1)
    exchange = streams.Exchange()
    exchange.feed(data[:1000] + data[1500:])
    exchange.take_events()

    assert exchange.frames.good < frames
    assert exchange.counts.lost_events > 0
