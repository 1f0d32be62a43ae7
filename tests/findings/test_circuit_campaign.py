"""The second generator of faulty benches: each edit makes a bench that can be read; a sample of it is diagnosed."""

from __future__ import annotations

import ast
import random
from pathlib import Path

import circuit_benches as cb
import circuit_campaign as campaign
import pytest

from benchctl.benchfile import parse
from benchctl.findings.causes import BY_NAME


@pytest.mark.parametrize("seeds", [1, pytest.param(5, marks=pytest.mark.long)])
@pytest.mark.parametrize("pair", cb.PAIRS)
def test_every_edit_can_be_made_to_every_pair(pair: str, seeds: int) -> None:
    for name in sorted(cb.EDITS):
        for seed in range(seeds):
            case = cb.edited(random.Random(seed), pair, (name,))

            parse(case.toml(), "edited")
            assert len(case.wrong) == 1, name
            assert case.wrong[0][0] in campaign.RIGHT, name


def test_right_answers_are_causes_that_there_are() -> None:
    assert {c for names in campaign.RIGHT.values() for c in names} <= set(BY_NAME)


def test_the_generator_reads_nothing_of_the_diagnosis_and_nothing_of_the_first_generator() -> None:
    tree = ast.parse(Path(cb.__file__).read_text("utf-8"))
    names = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    names |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}

    assert names == {"__future__", "math", "random", "collections.abc", "dataclasses", "typing"}


@pytest.mark.harm("pin-current", "outputs", "over-voltage")  # two driven lines joined, 5 V at the module
@pytest.mark.parametrize("name", ["cut_track_ground", *(pytest.param(n, marks=pytest.mark.long) for n in ("bridge_ce_csn", "bridge_sck_mosi", "exchange_mosi_miso", "ground_csn", "servo_at_another_pin", "small_regulator", "leave_out_regulator"))])
def test_a_sample_is_named(name: str) -> None:
    wrong, summary = campaign.perform(700, "single", "mudlark", (name,), "sim")

    assert campaign.right(campaign.find(summary)[0], wrong[0])


@pytest.mark.long
def test_what_cannot_be_parted_is_told_together_with_the_test_that_parts_it() -> None:
    """An open MISO, and an empty socket: nothing answers to either, and with no IRQ wire nothing else shows."""
    wrong, summary = campaign.perform(701, "single", "mudlark-modules", ("cut_miso",), "sim")
    (found,) = campaign.find(summary)

    assert campaign.right(found, wrong[0], group=True)
    assert "; or " in found.title
    assert found.next_test
