"""A board that restarts in the middle of a frame is heard all the same, on both simulated benches."""

from __future__ import annotations

import random

import pytest

from benchctl.avr.build_shim import available
from benchctl.benches import open_bench
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.framing import frame

RESTARTS = 60


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_every_restart_in_the_middle_of_a_frame_is_heard(kind: str) -> None:
    """60 of 60: the answer to an echo takes 2 ms of the line, and the reset falls anywhere in it."""
    if kind == "avr":
        from needs import need

        need(available())
    chance = random.Random(7)
    bench = open_bench(kind)
    try:
        board = bench.boards[Role.HAND]
        board.open()
        bench.wait(0.2)
        heard = 0
        for _ in range(RESTARTS):
            board.events(msg.Boot)
            board.expects_restart = True
            board.port.write(frame(msg.Echo(data=bytes(range(1, 98))).encode(1)))
            bench.wait(chance.uniform(2.2e-3, 4.2e-3))
            board.port.reset()
            bench.wait(0.3)
            heard += len(board.events(msg.Boot)) == 1
            board.clear_restart()
        assert heard == RESTARTS
    finally:
        bench.close()
