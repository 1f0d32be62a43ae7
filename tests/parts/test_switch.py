"""The switch: bounce within its bounds, stuck and floating lines, the chip's own pull."""

from __future__ import annotations

import math
import random

import pytest

from benchctl.benchfile import SwitchSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.switch import Switch


def pressed(spec: SwitchSpec, seed: int) -> tuple[Switch, list[tuple[float, float]]]:
    """A switch pressed at 1 s and let go at 2 s, with the edges of its line."""
    agenda = Agenda()
    switch = Switch("switch1", spec, agenda, random.Random(seed))
    edges: list[tuple[float, float]] = []
    switch.line.connect(lambda level, time: edges.append((time, level)))
    agenda.at(1.0, switch.press, 1.0)
    agenda.at(2.0, switch.release, 2.0)
    agenda.run_to(3.0)
    return switch, edges


@pytest.mark.parametrize("seed", range(20))
def test_bounce_keeps_its_bounds(seed: int) -> None:
    """At most `bounce_count` extra closures within `bounce_us`, ending closed, then open. Ganssle's guide to
    debouncing (2008) measured 1.5 ms on average and 6.2 ms at most on usual switches."""
    _, edges = pressed(SwitchSpec(bounce_count=6, bounce_us=6200.0), seed)
    down = [edge for edge in edges if edge[0] < 2.0]
    up = [edge for edge in edges if edge[0] >= 2.0]

    assert down[0] == (1.0, 0.0)
    assert down[-1][1] == 0.0
    assert up[-1][1] == 1.0
    assert len(down) % 2 == len(up) % 2 == 1
    assert len(down) <= 13
    assert down[-1][0] - 1.0 <= 6200e-6


def test_same_seed_same_bounce() -> None:
    """A switch's bounce is chance, but the same chance gives the same bounce."""
    spec = SwitchSpec(bounce_count=20)

    assert pressed(spec, 3)[1] == pressed(spec, 3)[1]
    assert pressed(spec, 3)[1] != pressed(spec, 4)[1]


@pytest.mark.parametrize(("stuck", "level"), [("open", 1.0), ("closed", 0.0)])
def test_stuck_switch_has_no_edges(stuck: str, level: float) -> None:
    """A stuck switch keeps its level."""
    switch, edges = pressed(SwitchSpec(stuck=stuck), 1)

    assert edges == []
    assert switch.line.level == level


def test_line_without_pull_up_floats_until_pulled() -> None:
    """Without any pull-up the line wanders; the chip's own pull-up, or the contact, holds it."""
    agenda = Agenda()
    switch = Switch("switch1", SwitchSpec(pull_ohms=math.inf, bounce_count=0), agenda, random.Random(1))
    edges: list[tuple[float, float]] = []
    switch.line.connect(lambda level, time: edges.append((time, level)))
    agenda.run_to(1.0)
    floated = len(edges)
    switch.set_pull_up(True, 1.0)
    agenda.run_to(2.0)
    after = [time for time, _ in edges if time > 1.0]

    assert floated > 50
    assert after == []
    assert switch.line.level == 1.0


def test_chip_may_pull_its_own_line() -> None:
    """Contact and output are a wired OR: low while either pulls."""
    agenda = Agenda()
    switch = Switch("switch1", SwitchSpec(bounce_count=0), agenda, random.Random(1))
    switch.pull_low("chip", True, 0.1)
    agenda.at(0.2, switch.press, 0.2)
    agenda.run_to(0.3)
    switch.pull_low("chip", False, 0.4)

    assert switch.line.level == 0.0
