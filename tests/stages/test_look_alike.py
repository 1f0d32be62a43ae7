"""Transceivers that send and read the no-acknowledge bit the other way round: told by what packets do, never by registers.

That such chips exist and invert this bit is from memory, as the variants of `parts/nrf24_registers.py` are; what the bit
does is the product specification's (nRF24L01+ v1.0, section 7.3.3).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from needs import need_avr

from benchctl import benches
from benchctl.facts import AcknowledgementsMissing
from benchctl.findings.find import find
from benchctl.operate import Operation
from benchctl.procedure.file import parse
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict

#: no more than it takes
PROCEDURE = b"""
name = "short-link"
title = "Short link"
[[stage]]
kind = "identity"
[stage.parameters]
clock_seconds = 0.5
[[stage]]
kind = "transceiver"
[[stage]]
kind = "radio_link"
[stage.parameters]
count = 60
least = 40
acked = 40
pings = 40
"""


def linked(kind: str, folder: Path, hand: str, craft: str) -> Summary:
    """A short radio link between two variants."""
    path = folder / "bench.toml"
    variants = f'[board.hand.radio]\nvariant = "{hand}"\n[board.craft.radio]\nvariant = "{craft}"\n'
    path.write_text(f'name = "look-alikes"\npair = "mudlark"\n{variants}', encoding="utf-8")
    bench = benches.open_bench(str(path), kind=kind, seed=5)
    try:
        return Operation(parse(PROCEDURE, "short-link.toml"), bench, folder / "runs", reports=False).perform().summary
    finally:
        bench.close()


def told(summary: Summary) -> list[AcknowledgementsMissing]:
    return [f for f in summary.stages["radio_link"].facts if isinstance(f, AcknowledgementsMissing)]


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
@pytest.mark.parametrize(("hand", "craft"), [("plus", "look-alike"), ("look-alike", "plus")])
def test_a_mixed_pair_is_named(kind: str, hand: str, craft: str, tmp_path: Path) -> None:
    """Both registers are as the data sheet has them, packets arrive, none is acknowledged: cause and remedy."""
    if kind == "avr":
        need_avr()
    summary = linked(kind, tmp_path, hand, craft)

    assert summary.stages["transceiver"].verdict is Verdict.PASS
    assert summary.stages["radio_link"].verdict is Verdict.FAIL
    (fact,) = told(summary)
    assert fact.arrived > 95
    assert fact.confirmed == 0
    first = find(summary)[0]
    assert first.cause == "no_ack_bit"
    assert "of the same kind" in first.remedy


@pytest.mark.parametrize("variant", ["plus", "look-alike"])
def test_two_of_a_kind_work(variant: str, tmp_path: Path) -> None:
    """Two look-alikes understand each other, as two genuine ones do: nothing is wrong, and nothing is told."""
    summary = linked("sim", tmp_path, variant, variant)

    link = summary.stages["radio_link"]
    assert link.verdict is not Verdict.FAIL  # so few packets leave the loss undecided
    assert {link.readings[f"{way}.given_up"].value for way in ("hand_to_craft", "craft_to_hand")} == {0.0}
    assert told(summary) == []
    assert find(summary) == []


def test_acknowledgements_lost_one_way_are_not_that(tmp_path: Path) -> None:
    """Two genuine transceivers of which one shouts and one whispers: a matter of the air, not of the bit."""
    path = tmp_path / "bench.toml"
    path.write_text('name = "w"\npair = "mudlark"\n[board.craft.radio]\nantenna_loss_db = 60.0\n', encoding="utf-8")
    bench = benches.open_bench(str(path), seed=5)
    try:
        summary = Operation(parse(PROCEDURE, "short-link.toml"), bench, tmp_path / "r", reports=False).perform().summary
    finally:
        bench.close()

    assert summary.stages["radio_link"].verdict is not Verdict.PASS
    assert told(summary) == []
    assert all(f.cause != "no_ack_bit" for f in find(summary)[:1])
