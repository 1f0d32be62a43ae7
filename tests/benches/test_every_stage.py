"""Every stage kind runs on both simulated benches, and a healthy pair passes it; those of gauge and set-up in their own folders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from benchctl import benches, shipped
from benchctl.operate import Operation, Result
from benchctl.procedure.file import Procedure, load
from benchctl.stages.kinds import KINDS
from benchctl.terms import Verdict

CAMPAIGNS = Path(__file__).parents[1] / "campaigns"
#: those of a gauge, of the set-up, which ends in a pair file, and of teaching, which wants a controller not taught yet
ELSEWHERE = {kind for kind in KINDS if kind.startswith(("gauge_", "find_", "teach_"))}


def every_stage() -> Procedure:
    """The cut-down fault hunt, with what the bring-up has beside it; the link-loss cut with few repeats."""
    steps, before = list(load(CAMPAIGNS / "hunt-small.toml").steps), ""
    for step in load(shipped.procedure("bring-up")).steps:
        kinds = [s.stage.kind for s in steps]
        if step.stage.kind not in kinds:
            few = {"repeats": 3, "resets": 1, "unplugs": 1} if step.stage.kind == "link_loss_cut" else {}
            step = replace(step, parameters={**step.parameters, **few})
            steps.insert(kinds.index(before) + 1, step)
        before = step.stage.kind
    return replace(load(CAMPAIGNS / "hunt-small.toml"), steps=tuple(steps))


@pytest.fixture(scope="module")
def whole(require_kind: Callable[[str], None], tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Result]:
    """whole(kind): every stage on the healthy pair, performed when first asked for."""

    @cache
    def run(kind: str) -> Result:
        require_kind(kind)
        bench = benches.open_bench(kind, seed=8)
        try:
            return Operation(every_stage(), bench, tmp_path_factory.mktemp(kind), reports=False).perform()
        finally:
            bench.close()

    return run


def test_nothing_is_left_out() -> None:
    assert {s.stage.kind for s in every_stage().steps} == set(KINDS) - ELSEWHERE


def test_a_healthy_pair_passes_every_stage(kind: str, whole) -> None:
    result = whole(kind)

    assert {n: (s.verdict, s.reason) for n, s in result.summary.stages.items() if s.verdict is not Verdict.PASS} == {}
    assert len(result.summary.stages) == len(KINDS) - len(ELSEWHERE)
    assert result.exit_code == 0


def test_a_healthy_pair_has_no_finding(kind: str, whole) -> None:
    assert whole(kind).summary.findings == []


def test_both_benches_take_the_same_readings(whole) -> None:
    """Names and units of all readings."""
    taken = [
        {(stage.name, r.name): r.unit for stage in whole(kind).summary.stages.values() for r in stage.readings.values()}
        for kind in ("sim", "avr")
    ]

    assert taken[0] == taken[1]
