"""Fuses and lock bits read on the chip: told by the identity stage, used by the supply stage, on both modelled benches."""

from __future__ import annotations

from pathlib import Path

import pytest
from needs import need_avr

from benchctl import benches
from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.procedure.file import parse
from benchctl.runs.summary import Summary
from benchctl.terms import Role

IDENTITY = b'name = "fuses"\ntitle = "Fuses"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0.5\n'
SUPPLY = IDENTITY + b'[[stage]]\nkind = "supply"\n'


def notes(kind: str, procedure: bytes, folder: Path, text: str) -> tuple[list[str], Summary]:
    if kind == "avr":
        need_avr()
    said: list[str] = []
    path = folder / "bench.toml"
    path.write_text(f'name = "fused"\npair = "mudlark"\n{text}', encoding="utf-8")
    bench = benches.open_bench(str(path), kind=kind, seed=3)
    try:
        reader = [lambda e: said.append(e.text) if isinstance(e, ev.Note) else None]
        run = Operation(parse(procedure, "fuses.toml"), bench, folder / "r", readers=reader, reports=False).perform()
    finally:
        bench.close()
    return said, run.summary


@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_they_are_told(kind: str, tmp_path: Path) -> None:
    """As the chip reads them, with what hurts: here the divided clock, and a level that the pair file has otherwise."""
    text = "[board.hand]\nlow_fuse = 0x7F\nhigh_fuse = 0xDA\nlock_bits = 0xCF\nbrown_out_v = 1.8\n"

    said, _ = notes(kind, IDENTITY, tmp_path, text)

    (line,) = [s for s in said if s.startswith("hand: fuses ")]
    assert "fuses 7F DA FE, lock bits CF: crystal, divided by 8, brown-out detector 1.8 V, boot loader of 2048" in line
    assert any(s.startswith("hand: the fuse CKDIV8") for s in said)
    assert any("fused to 1.8 V, the pair file says 2.7 V" in s for s in said)
    assert not any(s.startswith("craft: the fuse") for s in said)


def test_the_supply_stage_goes_by_them(tmp_path: Path) -> None:
    """The level on the chip counts, not the one that somebody wrote down."""
    _, summary = notes("sim", SUPPLY, tmp_path, "[board.hand]\nbrown_out_v = 4.3\n")

    readings = summary.stages["supply"].readings
    assert readings["hand.brown_out_level"].value == 4.3
    assert readings["craft.brown_out_level"].value == 2.7
    # 0.2 V to the highest level at which a 4.3 V detector may reset would be too good; the lowest supply tells
    lowest = readings["hand.lowest_vcc"].value
    assert readings["hand.brown_out_margin"].value == pytest.approx(lowest - 4.6, abs=0.01)


def test_boards_shows_them(tmp_path: Path) -> None:
    """Of every board that answers; its identity carries them."""
    bench = benches.open_bench("mudlark", kind="sim")
    board = bench.boards[Role.HAND]
    board.open()

    assert board.identify().fuses == bytes((0xFF, 0xFF, 0xFD, 0xDE))
    bench.close()
