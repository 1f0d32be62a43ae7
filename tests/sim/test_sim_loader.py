"""A modelled board whose boot loader never ends a watchdog's reset."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchctl.benches import open_bench
from benchctl.errors import NoAnswer
from benchctl.terms import Role

BENCH = (
    'kind = "sim"\npair = "mudlark"\n[board.craft]\nloader_loops = true\n[board.craft.settings]\nloader_loops = {}\n'
)


def craft(folder: Path, known: int):
    path = folder / "loops.toml"
    path.write_text(BENCH.format(known), encoding="utf-8")
    bench = open_bench(str(path))
    bench.boards[Role.CRAFT].open()
    return bench, bench.boards[Role.CRAFT]


def test_without_knowing_it_never_comes_back(tmp_path: Path) -> None:
    """Neither from the restart nor from the reset line: the chip's flag stands until its supply has been off."""
    _, board = craft(tmp_path, 0)

    with pytest.raises(NoAnswer, match="switch its supply off and on"):
        board.restart()
    with pytest.raises(NoAnswer):
        board.reset_by_line()


def test_known_it_restarts_without_the_watchdog(tmp_path: Path) -> None:
    """The cause is inferred from the record in RAM, as on the chip."""
    _, board = craft(tmp_path, 1)

    boot = board.restart()

    assert board.cause == "requested"
    assert boot.cause_from == 2
    board.reset_by_line()
    assert board.cause == "reset line"
