"""A procedure file is either right or refused in one sentence that names the place and what was expected."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl import shipped
from benchctl.errors import UsageError
from benchctl.procedure.file import load, parse
from benchctl.stages.kinds import KINDS
from benchctl.terms import Limit, Role

GOOD = b"""
name = "p"
[[stage]]
kind = "identity"
[[stage]]
kind = "transceiver"
[[stage]]
name = "link"
kind = "radio_link"
[stage.parameters]
count = 500
[stage.limits]
loss = {max = 1.5}
"hand_to_craft.latency_p99" = {max = 900}
jitter = {}
[stage.margins]
loss = {margin = 0.2}
latency_p50 = {margin = 5, of = "%"}
"""


def test_defaults_limits_and_needs_are_resolved() -> None:
    p = parse(GOOD, "p.toml")

    link = p.steps[2]
    assert link.name == "link"
    assert link.after == ("identity", "transceiver")
    assert link.parameters["count"] == 500
    assert link.parameters["rate"] == "1M"
    assert link.limits["loss"] == Limit(max=1.5)
    assert link.limits["hand_to_craft.latency_p99"] == Limit(max=900)
    assert link.limits["jitter"] is None
    assert link.limits["retries"] == Limit(max=0.5)
    assert link.margins["loss"].margin == 0.2
    assert link.margins["latency_p50"].relative
    assert p.roles() == (Role.HAND, Role.CRAFT)
    assert len(p.sha256) == 64


BAD = [
    (b"", "top level: has no name; expected name"),
    (b'name = "p"', "expected at least one"),
    (b"name = ", "not TOML"),
    (b"\xff\xfe", "not UTF-8"),
    (b'name = "p"\nstages = 1', "unknown key 'stages'; did you mean 'stage'"),
    (b'name = "p"\n[[stage]]\nkind = "identty"', "stage 1.kind: unknown stage kind 'identty'; did you mean 'identity'"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\n[[stage]]\nkind = "identity"', "taken by an earlier stage"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\nafter = ["x"]', "'x' is no earlier stage"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\nafter = "x"', "expected a list of stage names"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\noptional = 1', "expected true or false"),
    (
        b'name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_second = 1.0',
        "did you mean 'clock_seconds'",
    ),
    (b'name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = "x"', "expected a number of s"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = 0', "0.5 s to 600 s"),
    (b'name = "p"\n[[stage]]\nkind = "identity"\n[stage.parameters]\nclock_seconds = nan', "0.5 s to 600 s"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.parameters]\nrate = "3M"', "expected one of 250k, 1M, 2M"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.parameters]\ncount = 2.5', "expected a whole number"),
    (
        b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.limits]\nlos = {max = 1}',
        "takes no reading 'los'; did you mean 'loss'",
    ),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.limits]\nloss = 1', "expected a table"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.limits]\nloss = {maximum = 1}', "unknown key 'maximum'"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.limits]\nloss = {min = 3, max = 1}', "min 3 is above max 1"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.limits]\nloss = {max = true}', "expected a number"),
    (b'name = "p"\n[[stage]]\nkind = "radio_link"\n[stage.margins]\nloss = {margin = -1}', "a positive number"),
    (b'name = "p"\n[[stage]]\nkind = "throttle_ramp"', "throttle_ramp needs an earlier stage of kind"),
    (
        b'name = "p"\n[[stage]]\nkind = "throttle_ramp"\n[stage.parameters]\ncap = 31.0',
        "needs an earlier stage|1 % to 30 %",
    ),
]


@pytest.mark.parametrize(("raw", "said"), BAD)
def test_bad_files_are_refused_in_one_sentence(raw: bytes, said: str) -> None:
    with pytest.raises(UsageError, match=said) as caught:
        parse(raw, "bad.toml")
    text = str(caught.value)
    assert text.startswith("procedure bad.toml")
    assert caught.value.exit_code == 2
    assert "\n" not in text.removesuffix("\n") or "not TOML" in text


@given(st.integers(0, len(GOOD) - 1), st.binary(max_size=4), st.integers(0, 6))
def test_any_damage_is_a_usage_error_or_a_procedure(at: int, insert: bytes, drop: int) -> None:
    """Any damaged file gives a checked procedure or a UsageError, nothing else."""
    raw = GOOD[:at] + insert + GOOD[at + drop :]
    try:
        parse(raw, "x.toml")
    except UsageError as e:
        said = str(e)
    else:
        said = "x.toml"
    assert "x.toml" in said


def test_missing_file_and_unknown_name() -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        load(Path("nowhere.toml"))
    with pytest.raises(UsageError, match="bring-up"):
        shipped.procedure("bringup")


@pytest.mark.parametrize("name", sorted(shipped.procedures()))
def test_shipped_procedures_are_right(name: str) -> None:
    """Every shipped procedure loads, is named like its file, and locks motor stages behind what they need."""
    p = load(shipped.procedures()[name])

    assert p.name == name
    for step in p.steps:
        if step.stage.spins:
            assert {s.stage.kind for s in p.steps if s.name in step.after} >= set(step.stage.needs.required)


def test_only_keeps_what_is_needed() -> None:
    p = parse(GOOD, "p.toml").only(["transceiver"])

    assert [s.name for s in p.steps] == ["identity", "transceiver"]
    with pytest.raises(UsageError, match="has no stage 'x'"):
        p.only(["x"])


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_declares_itself_fully(kind: str) -> None:
    """Parameters within their own bounds, readings with known units, an instruction in words."""
    from benchctl.units import UNITS

    stage = KINDS[kind]
    assert stage.kind == kind
    assert stage.instruction.endswith(".")
    assert len(stage.title) < 30
    assert stage.expected_s(stage.defaults()) > 0
    for p in stage.parameters:
        assert p.doc
        if isinstance(p.default, int | float) and not isinstance(p.default, bool):
            assert p.low is None or p.low <= p.default, p.name
            assert p.high is None or p.default <= p.high, p.name
        if p.choices:
            assert p.default in p.choices
    names = [m.name for m in stage.measures]
    assert len(set(names)) == len(names)
    assert all(m.unit in UNITS and m.label and m.margin > 0 for m in stage.measures)
    if stage.spins:
        assert "before_power" in stage.needs.required
        assert stage.needs.operator


def test_a_stage_that_spins_nothing_may_run_regardless() -> None:
    """What its kind needs no longer has to have passed; what the file lists after it still has."""
    text = '[[stage]]\nkind = "identity"\n[[stage]]\nkind = "transceiver"\nregardless = true\n'
    step = parse(f'name = "x"\n{text}'.encode(), "x.toml").steps[1]

    assert step.after == ()


def test_nothing_that_spins_runs_regardless() -> None:
    kinds = ("before_power", "identity", "supply", "transceiver", "radio_link")
    text = 'name = "x"\n' + "".join(f'[[stage]]\nkind = "{k}"\n' for k in kinds)
    text += '[[stage]]\nkind = "esc_arming"\nregardless = true\n'

    with pytest.raises(UsageError, match="can spin something"):
        parse(text.encode(), "x.toml")
