"""A sample of the seeded defects; all of them in `tests/campaigns/seeded_defects.py`."""

from __future__ import annotations

from pathlib import Path

import pytest
from needs import need_program
from seeded import FIRMWARE, HOST, ROOT, Defect, notices

SAMPLE = {"any nonce arms", "lapse leaves it armed", "conditions are looked at only when arming", "any answer attests"}


@pytest.mark.parametrize("defect", [d for d in (*HOST, *FIRMWARE) if d.name in SAMPLE], ids=lambda d: d.name)
def test_the_suite_notices(defect: Defect, tmp_path: Path, avr: str) -> None:
    if defect.firmware:
        need_program("avr-g++")

    assert notices(defect, tmp_path)


@pytest.mark.parametrize("defect", [*HOST, *FIRMWARE], ids=lambda d: d.name)
def test_every_defect_still_fits_the_source(defect: Defect) -> None:
    """A defect whose place has changed would prove nothing."""
    text = (ROOT / defect.file).read_text("utf-8")
    assert text.count(defect.old) == 1, f"{defect.file} has {defect.old!r} {text.count(defect.old)} times"
