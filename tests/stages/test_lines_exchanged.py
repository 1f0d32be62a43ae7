"""Exchanged lines of the transceiver: IRQ is an output, so where it is, is read and never tried by driving it."""

from __future__ import annotations

from typing import Any

import pytest
from helpers_bench import mudlark
from needs import need_avr

from benchctl.benchfile import parse
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.facts import Line
from benchctl.sim.bench import SimBench
from benchctl.stages.transceiver_lines import broken_line, examine
from benchctl.terms import Role


def opened(kind: str, text: str) -> Any:
    spec = parse(mudlark("[board.hand]\n" + text).encode()).with_changes(kind=kind)
    if kind == "sim":
        return SimBench(spec)
    need_avr()
    from benchctl.avr.bench import AvrBench

    return AvrBench(spec)


def exchanged(one: str, other: str) -> str:
    return f'[board.hand.radio.{one}]\nto_line = "{other}"\n[board.hand.radio.{other}]\nto_line = "{one}"\n'


def examined(kind: str, text: str) -> tuple[Line | None, str, dict[str, int]]:
    """Line found, which two, and how often each kind of harm came about while it was looked for."""
    bench = opened(kind, text)
    board = bench.boards[Role.HAND]
    board.open()
    before = {e.kind: e.times for e in bench.harm.entries}
    seen = examine(board, bench.wait)
    harm = {str(e.kind): e.times - before.get(e.kind, 0) for e in bench.harm.entries}
    bench.close()
    return broken_line(seen), seen.swapped, {k: n for k, n in harm.items() if n}


# at its start the firmware drives the pin that it takes for CE or CSN: that much is the fault's own
@pytest.mark.harm(HarmKind.OUTPUTS, HarmKind.PIN_CURRENT, HarmKind.OVER_VOLTAGE)
@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_ce_and_irq_exchanged_is_read(kind: str) -> None:
    """Named, and nothing is driven against the transceiver's output to find out."""
    assert examined(kind, exchanged("ce", "irq")) == (Line.SWAPPED, "CE and IRQ", {})


@pytest.mark.harm(HarmKind.OUTPUTS, HarmKind.PIN_CURRENT, HarmKind.OVER_VOLTAGE)
@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_csn_and_irq_exchanged_is_read(kind: str) -> None:
    """Named; one transaction tells it from an open IRQ beside a CSN with a pull-up."""
    line, swapped, harm = examined(kind, exchanged("csn", "irq"))
    assert (line, swapped) == (Line.SWAPPED, "CSN and IRQ")
    assert max(harm.values()) <= 3


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[board.hand.radio.miso]\nseries_ohms = 1e9\n", Line.MISO),
        ("[board.hand.radio.csn]\nseries_ohms = 1e9\n", Line.ABSENT),
        ("[board.hand.radio.irq]\nseries_ohms = 1e9\n", Line.IRQ),
        ("[board.hand.radio]\nfitted = false\n", Line.ABSENT),
        (exchanged("ce", "csn"), Line.SWAPPED),
        ("", None),
    ],
)
def test_no_other_fault_has_a_pin_driven_against_irq(text: str, line: Line | None) -> None:
    """Whatever is looked for, two outputs never meet, and none of these is taken for an exchanged IRQ."""
    assert examined("sim", text)[::2] == (line, {})


def test_open_irq_is_no_exchange_on_the_image() -> None:
    """There CSN is pulled up outside, which alone reads like IRQ."""
    assert examined("avr", "[board.hand.radio.irq]\nseries_ohms = 1e9\n")[::2] == (Line.IRQ, {})
