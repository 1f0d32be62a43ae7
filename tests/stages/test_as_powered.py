"""Whether a transceiver is as it was powered: said of one that nothing has used, and of no other."""

from __future__ import annotations

from pathlib import Path

import pytest
from needs import need_avr

from benchctl import benches
from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.procedure.file import parse
from benchctl.terms import Verdict

BEFORE = b"""
name = "as-powered"
title = "As powered"
[[stage]]
kind = "identity"
[stage.parameters]
clock_seconds = 0.5
"""
SUPPLY = b"""
[[stage]]
kind = "supply"
"""
THEN = b"""
[[stage]]
kind = "transceiver"
"""
SAID = "not at power-on values although just powered"


def notes(kind: str, procedure: bytes, folder: Path) -> tuple[list[str], set[Verdict]]:
    said: list[str] = []

    def heard(event: ev.Event) -> None:
        if isinstance(event, ev.Note):
            said.append(event.text)

    bench = benches.open_bench("mudlark", kind=kind, seed=3)
    try:
        run = Operation(parse(procedure, "as-powered.toml"), bench, folder, readers=[heard], reports=False).perform()
    finally:
        bench.close()
    return said, {s.verdict for s in run.summary.stages.values()}


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
@pytest.mark.parametrize("before", [b"", SUPPLY], ids=["untouched", "after the supply stage"])
def test_nothing_is_said_of_healthy_boards(kind: str, before: bytes, tmp_path: Path) -> None:
    """Just powered they are at their reset values; after the supply stage they are not, and that is no wonder."""
    if kind == "avr":
        need_avr()

    said, verdicts = notes(kind, BEFORE + before + THEN, tmp_path)

    assert verdicts == {Verdict.PASS}
    assert [text for text in said if SAID in text] == []
