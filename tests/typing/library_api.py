"""The library as a script types it: checked by mypy, never run. Each ignored error is one that mypy has to find."""

from __future__ import annotations

from collections.abc import Mapping
from typing import assert_type

import numpy as np
import numpy.typing as npt

import benchctl
from benchctl import Comparison, Gauge, Interval, Limit, OpenBench, OpenBoard, Reading, Run, Verdict, messages


def opening() -> None:
    with benchctl.open_bench("avr", images={"hand": "hand.elf"}, seed=1) as bench:
        assert_type(bench, OpenBench)
        assert_type(bench.board("craft"), OpenBoard)
        assert_type(bench.gauge, Gauge)
        assert_type(bench.board("craft").ask(messages.Vitals()).vcc_mv, int)
        assert_type(bench.run("no-motor", only=["link"]), Run)
        assert_type(bench.stage("radio_link", limits={"loss": Limit(max=5)}, least=200), Run)
        bench.stage("radio_link", limits={"loss": 5})  # type: ignore[dict-item]
        bench.operator = None  # type: ignore[attr-defined]
    benchctl.open_bench(operator=None)  # type: ignore[call-arg]
    benchctl.open_benches()  # type: ignore[attr-defined]


def reading(run: Run) -> None:
    assert_type(run.check().verdict, Verdict)
    assert_type(run.stages, Mapping[str, Verdict])
    found = run.reading("loss")
    assert_type(found, Reading)
    assert_type(found.interval, Interval | None)
    found.interval.low  # type: ignore[union-attr]
    assert_type(run.table("packets")["at"], npt.NDArray[np.float64])
    assert_type(benchctl.compare_runs(benchctl.read_run("a"), run), Comparison)
