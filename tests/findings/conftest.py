"""Runs of the cut-down fault hunt on benches given by name or text, each made once."""

from __future__ import annotations

import functools
import sys
from pathlib import Path

CAMPAIGNS = Path(__file__).parents[1] / "campaigns"
if str(CAMPAIGNS) not in sys.path:
    sys.path.insert(0, str(CAMPAIGNS))

import findings_campaign as campaign  # noqa: E402
import pytest  # noqa: E402

from benchctl.benchfile import reader  # noqa: E402


class Drawn:
    """A bench from text, with the two things that the campaign asks of a drawn one."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.inject: list[object] = []

    def toml(self) -> bytes:
        return self.text.encode()


@functools.cache
def run_of(text: str, seed: int):
    events: list[object] = []
    return campaign.perform(Drawn(text), seed, events=events), tuple(events)


@pytest.fixture
def recorded():
    """`recorded(name, procedure)`: the events of a run there; without a procedure of the cut-down fault hunt."""

    def record(bench: str, procedure: Path | None = None):
        text = (reader.SHIPPED / f"{bench}.toml").read_text("utf-8")
        if procedure is None:
            return run_of(text, 11)[1]
        events: list[object] = []
        campaign.perform(Drawn(text), 3, procedure=procedure, events=events)
        return tuple(events)

    return record


@pytest.fixture
def hunted():
    """`hunted(name or text)`: the summary of a cut-down fault hunt there."""

    def hunt(bench: str, seed: int = 11):
        path = reader.SHIPPED / f"{bench}.toml"
        return run_of(path.read_text("utf-8") if "\n" not in bench else bench, seed)[0]

    return hunt
