"""What every bench must fulfil, whatever it is made of: a function that takes an open bench and checks it."""

from __future__ import annotations

import pytest

from benchctl.bench import Bench
from benchctl.errors import NoAnswer, Refused, Stopped
from benchctl.terms import Role
from benchctl.wire import msg


def check_bench(bench: Bench) -> None:
    """Time, boards, requests, refusals, restart, stop: the whole contract on one open bench with a hand board."""
    _check_time(bench)
    _check_requests(bench)
    _check_restart(bench)
    _check_stop(bench)


def _check_time(bench: Bench) -> None:
    before = bench.now()
    bench.wait(0.25)
    assert bench.now() == pytest.approx(before + 0.25, abs=0.1)
    bench.boards[Role.HAND].open()
    bench.boards[Role.HAND].poll()
    quiet = bench.now() + 0.2
    while bench.wait_input(quiet):
        pass
    assert bench.now() >= quiet


def _check_requests(bench: Bench) -> None:
    board = bench.boards[Role.HAND]
    assert board.ask(msg.Echo(data=b"\x00\xff\x55")).data == b"\x00\xff\x55"
    assert board.ask(msg.Echo(data=b"")).data == b""
    first, second = board.ask(msg.Clock()), board.ask(msg.Clock())
    assert 0 < (second.received - first.received) & 0xFFFFFFFF < 2_000_000
    with pytest.raises(Refused) as refused:
        board.ask(msg.Pin(function=200, mode=0))
    assert refused.value.code == "value"
    with pytest.raises(NoAnswer):
        board.wait_event(msg.Captured, 0.05)


def _check_restart(bench: Bench) -> None:
    board = bench.boards[Role.HAND]
    heard: list[bool] = []
    board.on_restart = lambda boot, asked: heard.append(asked)
    boot = board.restart()
    assert isinstance(boot, msg.Boot)
    assert heard == [True]
    assert board.ask(msg.Echo(data=b"a")).data == b"a"


def _check_stop(bench: Bench) -> None:
    bench.stop_all()
    bench.halted = True
    with pytest.raises(Stopped):
        bench.wait(0.1)
    with pytest.raises(Stopped):
        bench.boards[Role.HAND].ask(msg.Clock())
    bench.close()
    bench.close()
