"""What a stage shows while it measures: tables that grow, told to whoever watches and never recorded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.runs.log import read
from benchctl.stages.contract import Context
from benchctl.terms import Verdict

#: table → the kind of its plot, of those that the screen promises live: supply, link, latency, servo, ramp, soak
LIVE = {
    ("supply", "hand_transmit"): "waveform",
    ("supply", "craft_led"): "waveform",
    ("supply", "craft_servo"): "waveform",
    ("link", "round_trip"): "latency",
    ("link", "craft_to_hand_until_acknowledged"): "latency",
    ("button_to_led", "latency_parts"): "latency",
    ("joystick_to_servo", "sweep"): "sweep",
    ("throttle_ramp", "ramp_supply"): "timeline",
    ("throttle_ramp", "ramp"): "points",
    ("link_loss_cut", "radio_cuts"): "points",
    ("soak", "soak_loss"): "timeline",
}
Told = list[ev.Samples]


def perform(kind: str, stages: list[str] | None, root: Path) -> tuple[Result, Told]:
    told: Told = []

    def listen(event: ev.Event) -> None:
        if isinstance(event, ev.Samples):
            told.append(event)

    procedure = load(shipped.procedure("bring-up"))
    bench = benches.open_bench("mudlark", kind=kind, seed=4)
    try:
        wanted = procedure if stages is None else procedure.only(stages)
        return Operation(wanted, bench, root, readers=[listen], reports=False).perform(), told
    finally:
        bench.close()


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Told]:
    return perform("sim", sorted({stage for stage, _ in LIVE}), tmp_path_factory.mktemp("runs"))


@pytest.mark.parametrize(("stage", "name"), list(LIVE))
def test_a_table_grows_while_its_stage_runs(whole: tuple[Result, Told], stage: str, name: str) -> None:
    seen = [e for e in whole[1] if (e.stage, e.name) == (stage, name) and not e.final]

    assert len(seen) >= 2
    assert all(e.shows == LIVE[stage, name] and e.data is not None and len(e.data) == e.rows > 0 for e in seen)
    assert seen[1].rows > seen[0].rows
    assert seen[-1].t > seen[0].t


def test_the_record_has_whole_tables_only(whole: tuple[Result, Told]) -> None:
    recorded = [e for e in read(whole[0].folder).events if isinstance(e, ev.Samples)]

    assert whole[0].verdict is Verdict.PASS
    assert recorded
    assert all(e.final and e.file for e in recorded)
    assert len(recorded) == sum(e.final for e in whole[1])


def same_points(last: ev.Samples, final: ev.Samples) -> bool:
    assert last.data is not None
    assert final.data is not None
    return last.columns == final.columns and np.allclose(last.data, final.data, rtol=2e-3)


@pytest.mark.parametrize(
    ("stage", "name"),
    [("supply", "craft_led"), ("joystick_to_servo", "sweep"), ("throttle_ramp", "ramp_supply"), ("soak", "soak_loss")],
)
def test_what_was_shown_last_is_what_is_kept(whole: tuple[Result, Told], stage: str, name: str) -> None:
    """Within the 0.2 % by which clocks and a ratio of means are put right afterwards."""
    mine = [e for e in whole[1] if (e.stage, e.name) == (stage, name)]

    assert same_points(mine[-2], mine[-1])
    assert [e.final for e in mine[-2:]] == [False, True]


@pytest.mark.long
def test_the_firmware_itself_shows_them_too(tmp_path: Path) -> None:
    """On compiled firmware the same tables grow."""
    result, told = perform("avr", ["link"], tmp_path)
    growing = [e for e in told if not e.final]

    assert result.verdict is Verdict.PASS
    for key in [k for k in LIVE if k[0] == "link"]:
        assert len([e for e in growing if (e.stage, e.name) == key]) >= 2, key


def test_of_very_many_rows_only_some_are_shown() -> None:
    told: Told = []
    bench = benches.open_bench("sim")
    try:
        ctx = Context("soak", bench, {}, {}, told.append)
        _show(ctx.glimpse, 12_345)
        _show(ctx.glimpse, 0)
    finally:
        bench.close()

    assert [e.final for e in told] == [False]
    assert 400 <= told[0].rows <= 500


def _show(glimpse: Callable[..., None], rows: int) -> None:
    glimpse("soak_loss", "timeline", {"at": "s", "lost": ""}, [(float(i), 0.0) for i in range(rows)])
