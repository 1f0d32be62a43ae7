"""Benches of both simulated kinds; the avr kind is skipped where its tools are missing, unless that is forbidden."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from helpers_outputs import PAIR, confirmed
from needs import need_avr

from benchctl import benches
from benchctl.bench import Bench

KINDS = ("sim", "avr")
Open = Callable[..., Bench]


def require(kind: str) -> None:
    if kind == "avr":
        need_avr()


@pytest.fixture(scope="session")
def require_kind() -> Callable[[str], None]:
    """Skips or fails where a bench of that kind cannot be had."""
    return require


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    require(request.param)
    return str(request.param)


@pytest.fixture
def open_bench(tmp_path: Path) -> Iterator[Open]:
    """Opens a bench of a kind from TOML text (empty: the healthy pair); closed when the test ends."""
    opened: list[Bench] = []

    def make(kind: str, text: str = "", seed: int = 1) -> Bench:
        require(kind)
        name = PAIR
        if text:
            path = tmp_path / f"bench{len(opened)}.toml"
            path.write_text(confirmed(text))
            name = str(path)
        bench = benches.open_bench(name, kind=kind, seed=seed)
        opened.append(bench)
        return bench

    yield make
    for bench in opened:
        bench.close()
