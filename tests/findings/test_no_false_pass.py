"""Pairs with a fault that a run must not pass: each was passed once, because nobody looked, or looked too late."""

from __future__ import annotations

import pytest
from helpers_bench import mudlark

from benchctl.facts import SettingDiffers
from benchctl.findings import find
from benchctl.terms import Role, Verdict


def bench(text: str) -> str:
    return mudlark(f"[board.hand]\n[board.craft]\n{text}", "no-false-pass")


@pytest.mark.parametrize(("key", "value"), [("radio_rate", 2), pytest.param("radio_channel", 90, marks=pytest.mark.long)])
def test_settings_are_compared_as_the_boards_have_them(hunted, key: str, value: int) -> None:
    """The link stage measures with settings of its own; what the boards keep for themselves must be alike all the same."""
    summary = hunted(bench(f"[board.craft.settings]\n{key} = {value}"))

    assert summary.stages["link"].verdict is Verdict.FAIL
    assert [f.setting for f in summary.stages["link"].facts if isinstance(f, SettingDiffers)] == [key[6:]]
    assert [(f.cause, f.board) for f in find(summary)[:1]] == [("wrong_settings", None)]


@pytest.mark.long
def test_a_regulator_that_a_large_capacitor_hides_does_not_pass(hunted) -> None:
    """115 mA, packet after packet, at a regulator of 50 mA: 470 µF carry each burst, and not the sum of them."""
    text = '[board.craft.radio]\nvariant = "high-power"\n[board.craft.rail.radio]\nregulator_limit_ma = 50\nbulk_uf = 470'
    summary = hunted(bench(text))

    assert summary.stages["supply"].readings["craft.sending_lost"].value == 1
    # what the rail reads when nothing is sent any more proves nothing
    assert "craft.radio_volts_sending" not in summary.stages["load_hunt"].readings
    assert [(f.cause, f.board) for f in find(summary)[:1]] == [("regulator", Role.CRAFT)]


@pytest.mark.parametrize("rail", ["main", "radio"])
@pytest.mark.parametrize("ohms", [22, 0.4])
def test_nothing_is_powered_after_a_failed_short_check(hunted, rail: str, ohms: float) -> None:
    """Not even by stages that run regardless of others; the finding names the rail, the ohms and where to look."""
    summary = hunted(bench(f"[board.craft.rail.{rail}]\nleak_ohms = {ohms}"))

    assert summary.stages["before_power"].verdict is Verdict.FAIL
    assert {s.verdict for s in summary.stages.values() if s.kind != "before_power"} == {Verdict.NOT_RUN}
    assert not any(b.seen for b in summary.boards.values())
    found = find(summary)
    assert [(f.cause, f.board) for f in found[:1]] == [("rail_short", Role.CRAFT)]
    assert "Ω" in found[0].remedy


@pytest.mark.long
@pytest.mark.parametrize("ppm", [-4900, 4900])
def test_a_legal_ceramic_resonator_passes(hunted, ppm: int) -> None:
    """Ceramic resonators are specified for 0.5 %."""
    summary = hunted(bench(f"[board.craft.oscillator]\nppm = {ppm}"))

    assert summary.verdict is Verdict.PASS
    assert find(summary) == []
