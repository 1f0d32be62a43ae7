"""Every reading says how sure it is: n, an interval and where the uncertainty comes from; latencies their floor."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchctl import benches
from benchctl import events as ev
from benchctl.stages.contract import Context
from benchctl.stages.kinds import KINDS
from benchctl.terms import Reading, Source

#: kinds that spin nothing, with parameters that make them short
STAGES: dict[str, dict[str, float]] = {
    "supply": {},
    "radio_link": {"pings": 100},
    "controls": {"presses": 3, "move_seconds": 2.0},
    "button_to_led": {"presses": 10},
    "joystick_to_servo": {"points": 5, "steady_frames": 10, "steps": 2},
    "inertial": {},
    "soak": {"seconds": 10},
}
#: rails that droop enough for a fit, on both boards
WEAK = """
name = "weak"
kind = "sim"
[pair]
from = "mudlark"
board.hand.led.beside_ma = 250
board.craft.led.beside_ma = 400
[board.hand.rail.main]
series_ohms = 1.5
bulk_uf = 60
[board.hand.rail.radio]
bulk_uf = 0.3
regulator_recovery_us = 40
[board.craft.rail.main]
series_ohms = 0.6
bulk_uf = 100
"""
#: delays that SPI, settling and air time bound from below
DELAYS = ("_p50", "_p95", "_p99", "_min")
NOT_AIR = ("jitter", "period", "clock", "step")


def readings(bench_name: str) -> Iterator[tuple[str, Reading]]:
    bench = benches.open_bench(bench_name)
    taken: list[tuple[str, Reading]] = []
    try:
        for board in bench.boards.values():
            board.open()
        for kind, changes in STAGES.items():
            stage = KINDS[kind]

            def told(event: ev.Event, kind: str = kind) -> None:
                if isinstance(event, ev.ReadingTaken) and event.final:
                    taken.append((kind, event.reading))

            ctx = Context(kind, bench, {**stage.defaults(), **changes}, {}, told)
            try:
                stage.perform(ctx)
            finally:
                ctx.cleanup.close()
    finally:
        bench.close()
    yield from taken


@pytest.fixture(scope="module", params=["healthy", pytest.param("weak", marks=pytest.mark.long)])
def taken(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, Reading]]:
    if request.param == "healthy":
        return list(readings("sim"))
    path: Path = tmp_path_factory.mktemp("budget") / "weak.toml"
    path.write_text(WEAK, encoding="utf-8")
    return list(readings(str(path)))


def exact(reading: Reading) -> bool:
    """Counted, or read from a register, a fuse, a declaration: nothing about it is uncertain."""
    counted = reading.source in (Source.COUNTING, Source.OPERATOR) and float(reading.value).is_integer()
    return counted or (reading.source is Source.NONE and (reading.note != "" or float(reading.value).is_integer()))


def test_every_reading_has_a_number_of_samples(taken: list[tuple[str, Reading]]) -> None:
    assert [(kind, r.name) for kind, r in taken if r.n < 1 and not math.isnan(r.value)] == []


def test_every_reading_has_an_interval_or_is_exact(taken: list[tuple[str, Reading]]) -> None:
    open_ones = [r for _, r in taken if r.measured and r.interval is None and not exact(r)]

    assert [(r.name, r.note) for r in open_ones if "do not bound it" not in r.note] == []


def test_what_has_an_interval_says_where_it_comes_from(taken: list[tuple[str, Reading]]) -> None:
    assert [(kind, r.name) for kind, r in taken if r.interval is not None and r.source is Source.NONE] == []


def test_the_value_lies_in_its_interval(taken: list[tuple[str, Reading]]) -> None:
    outside = [r.name for _, r in taken if r.interval is not None and not r.interval.low <= r.value <= r.interval.high]

    assert outside == []


def test_latencies_have_their_floor(taken: list[tuple[str, Reading]]) -> None:
    """What SPI, settling and air time take at best stands beside every delay over the air."""
    delays = [
        r
        for kind, r in taken
        if kind in ("radio_link", "button_to_led")
        and r.name.endswith(DELAYS)
        and not any(word in r.name for word in NOT_AIR)
    ]

    assert len(delays) >= 8
    assert [r.name for r in delays if r.floor is None] == []
    assert [r.name for r in delays if r.measured and r.floor and r.interval and r.interval.high < r.floor] == []
