"""Opens simulated benches from TOML text and closes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from helpers_bench import mudlark
from helpers_outputs import confirmed

from benchctl import benchfile
from benchctl.sim.bench import SimBench

Open = Callable[..., SimBench]


@pytest.fixture
def open_sim() -> Iterator[Open]:
    """open_sim(text, seed, loader_s): text over the healthy pair; boards are open unless started is False."""
    opened: list[SimBench] = []

    def make(text: str = "", seed: int = 1, loader_s: float = 0.0, started: bool = True) -> SimBench:
        spec = benchfile.parse(confirmed(mudlark(text)).encode(), "test").with_changes(kind="sim", seed=seed)
        bench = SimBench(spec, loader_s=loader_s)
        opened.append(bench)
        if started:
            for board in bench.boards.values():
                board.open()
                board.forget_events()
        return bench

    yield make
    for bench in opened:
        bench.close()
