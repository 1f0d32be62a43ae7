"""The same procedures end the same way on both benches, with numbers that agree."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from benchctl import benches, shipped
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.terms import Reading, Role, Verdict

FAR = """
name = "far"
pair = "mudlark"
[air]
path_loss_db = {loss}
[board.hand]
[board.craft]
"""
NO_RADIO = """
name = "no radio"
pair = "mudlark"
[board.hand]
[board.craft.radio]
fitted = false
"""


def perform(bench: Any, procedure: str, out: Path, only: list[str] | None = None) -> Result:
    loaded = load(shipped.procedure(procedure))
    return Operation(loaded.only(only) if only else loaded, bench, out, reports=False).perform()


def reading(result: Result, stage: str, name: str) -> Reading:
    return result.summary.stages[stage].readings[name]


@pytest.fixture(scope="module")
def healthy(require_kind, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Result]:
    """healthy(kind): the healthy pair's run there, made when first asked for."""

    @cache
    def run(kind: str) -> Result:
        require_kind(kind)
        bench = benches.open_bench(kind, seed=1)
        try:
            return perform(bench, "radio-link", tmp_path_factory.mktemp(kind))
        finally:
            bench.close()

    return run


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_healthy_link_passes(kind, healthy) -> None:
    """Three stages, all passed, exit code 0, both boards identified."""
    result = healthy(kind)

    assert [s.verdict for s in result.summary.stages.values()] == [Verdict.PASS] * 3
    assert result.exit_code == 0
    assert {b.label for b in result.summary.boards.values()} == {"mudlark-hand-01", "mudlark-craft-01"}


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_forty_decibels_more_fail_the_link(kind, open_bench, tmp_path: Path) -> None:
    result = perform(open_bench(kind, FAR.format(loss=100)), "radio-link", tmp_path)

    link = result.summary.stages["link"]
    assert result.exit_code == 1
    assert link.verdict is Verdict.FAIL
    assert "packets lost, hand→craft: 100.0 %" in link.reason


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_a_missing_transceiver_is_named(kind, open_bench, tmp_path: Path) -> None:
    result = perform(open_bench(kind, NO_RADIO), "radio-link", tmp_path)

    stage = result.summary.stages["transceiver"]
    assert result.exit_code == 1
    assert stage.verdict is Verdict.FAIL
    assert "craft: no transceiver answers" in stage.reason
    assert result.summary.stages["link"].verdict is Verdict.NOT_RUN


@pytest.mark.long
@pytest.mark.parametrize("loss", [83.0, 85.0, 86.5])
def test_loss_agrees(open_bench, tmp_path: Path, loss: float) -> None:
    """At a given path loss each bench's loss lies in the other's interval, or the intervals overlap widely."""
    seen = []
    for kind in ("sim", "avr"):
        result = perform(open_bench(kind, FAR.format(loss=loss), seed=5), "radio-link", tmp_path)
        seen.append(reading(result, "link", "hand_to_craft.loss"))
    a, b = (r.interval for r in seen)

    assert a is not None
    assert b is not None
    assert max(a.low, b.low) <= min(a.high, b.high), (seen[0].text(), seen[1].text())


@pytest.mark.long
def test_latency_agrees_within_twenty_microseconds(healthy) -> None:
    results = [healthy(kind) for kind in ("sim", "avr")]
    for name in ("hand_to_craft.latency_p50", "craft_to_hand.latency_p50", "round_trip_p50"):
        sim, avr = (reading(r, "link", name).value for r in results)

        assert sim == pytest.approx(avr, abs=20.0), name


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_one_way_floor_is_respected(kind, healthy) -> None:
    """No packet is faster than settling and air time allow: nRF24L01+ Product Specification, tables 16 and 19."""
    result = healthy(kind)

    for direction in ("hand_to_craft", "craft_to_hand"):
        r = reading(result, "link", f"{direction}.latency_p50")
        assert r.floor is not None
        assert r.value > 130 + 137
        assert r.value < 1.6 * r.floor


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_skew_is_the_oscillators_difference(kind, open_bench, tmp_path: Path) -> None:
    """The two clocks as related over the radio differ by what the bench file says, within 2 ppm."""
    text = "name = 'skew'\npair = 'mudlark'\n[board.hand.oscillator]\nppm = -900.0\nwander_ppm = 0.0\n[board.craft.oscillator]\nppm = 1500.0\nwander_ppm = 0.0\n"
    result = perform(open_bench(kind, text), "radio-link", tmp_path)

    assert reading(result, "link", "clock_skew").value == pytest.approx(2400.0, abs=5.0)
    assert reading(result, "identity", "hand.oscillator_error").value == pytest.approx(-900.0, abs=5.0)
    assert Role.HAND in result.summary.boards
