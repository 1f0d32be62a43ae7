"""Lines of the transceiver that solder joins, that are exchanged or held: each is named, on `sim` and on `avr`."""

from __future__ import annotations

from typing import Any

import pytest
from helpers_bench import mudlark
from needs import need_avr

from benchctl import benches
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.facts import Line
from benchctl.stages.transceiver_lines import Lines, broken_line, examine
from benchctl.terms import Role

#: side by side on the module's header of two by four (common practice, no source): CE CSN / SCK MOSI / MISO IRQ
JOINED = [("ce", "csn"), ("sck", "mosi"), ("miso", "irq"), ("ce", "sck"), ("sck", "miso"), ("csn", "mosi"), ("mosi", "irq")]
EXCHANGED = [("miso", "mosi"), ("miso", "sck"), ("sck", "mosi")]

#: what solder does to the pins by itself, from the board's start on
pytestmark = pytest.mark.harm(HarmKind.OUTPUTS, HarmKind.PIN_CURRENT, HarmKind.OVER_VOLTAGE)


def looked_at(tmp_path: Any, text: str, kind: str) -> Lines:
    if kind == "avr":
        need_avr()
    file = tmp_path / "bench.toml"
    file.write_text(mudlark(text))
    bench = benches.open_bench(str(file), kind=kind, seed=5)
    try:
        board = bench.boards[Role.HAND]
        board.open()
        return examine(board, bench.wait)
    finally:
        bench.close()


def radio(lines: str) -> str:
    return f"[board.hand.radio]\n{lines}\n"


@pytest.mark.parametrize(("one", "other"), JOINED)
@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_two_joined_lines_are_named(tmp_path, kind: str, one: str, other: str) -> None:
    seen = looked_at(tmp_path, radio(f'{one}.bridged_to = "{other}"'), kind)

    assert broken_line(seen) is Line.BRIDGED
    assert seen.two == f"{one} and {other}".upper().replace("AND", "and")


@pytest.mark.parametrize(("one", "other"), EXCHANGED)
@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_two_exchanged_lines_of_the_bus_are_named(tmp_path, kind: str, one: str, other: str) -> None:
    seen = looked_at(tmp_path, radio(f'{one}.to_line = "{other}"\n{other}.to_line = "{one}"'), kind)

    assert broken_line(seen) is Line.EXCHANGED
    assert seen.two == f"{one} and {other}".upper().replace("AND", "and")


@pytest.mark.parametrize(
    ("fault", "line"),
    [
        ("csn.to_ground_ohms = 3", Line.CSN_LOW),
        ("ce.to_supply_ohms = 3", Line.CE_HIGH),
        ("ce.to_ground_ohms = 3", Line.CE),
        ("miso.to_ground_ohms = 3", Line.MISO_LOW),
        ("sck.series_ohms = 1e8", Line.SCK),
        ("", None),
    ],
)
@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_a_held_or_open_line_is_no_joined_one(tmp_path, kind: str, fault: str, line: Line | None) -> None:
    seen = looked_at(tmp_path, radio(fault), kind)

    assert broken_line(seen) is line
    assert seen.two == ""
