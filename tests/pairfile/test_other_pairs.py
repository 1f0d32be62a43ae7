"""The shipped pairs that are wired otherwise than the demo's are brought up; strangers' are in test_find_wiring.py."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from needs import need_avr

CAMPAIGNS = Path(__file__).parents[1] / "campaigns"
if str(CAMPAIGNS) not in sys.path:
    sys.path.insert(0, str(CAMPAIGNS))

import strangers  # noqa: E402

from benchctl import benchfile  # noqa: E402
from benchctl.terms import Verdict  # noqa: E402

OTHERS = ("mudlark-modules", "mudlark-low-volt")


def brought_up(name: str, kind: str, folder: Path) -> tuple[list[str], list[str]]:
    """What did not pass, and what was found or hurt."""
    made, _, harm = strangers.perform("bring-up", benchfile.load(name).with_changes(kind=kind), folder)
    stages = [f"{s.name}: {s.verdict} {s.reason}" for s in made.summary.stages.values() if s.verdict is not Verdict.PASS]
    return stages, [*harm, *(f.title for f in made.summary.findings)]


@pytest.mark.parametrize("name", ["mudlark-modules", pytest.param("mudlark-low-volt", marks=pytest.mark.long)])
def test_shipped_pairs_are_brought_up(name: str, tmp_path: Path) -> None:
    """Other pins, no IRQ, switches to the supply, 8 MHz and 3.3 V: every stage of bring-up passes, nothing is found."""
    assert brought_up(name, "sim", tmp_path) == ([], [])


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", OTHERS)
def test_shipped_pairs_are_brought_up_with_the_real_firmware(name: str, tmp_path: Path) -> None:
    """The same with the image on simulated chips."""
    need_avr()
    assert brought_up(name, "avr", tmp_path) == ([], [])
