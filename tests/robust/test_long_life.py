"""A sample of the long soak: `tests/campaigns/long_life.py` does 24 simulated hours with 30 restarts and 5 unplugs."""

from __future__ import annotations

from pathlib import Path

import pytest
from long_soak import soak

from benchctl import events as ev
from benchctl.runs.log import read
from benchctl.terms import Role, Verdict

#: a 32-bit counter of half microseconds is full after 2147.5 s
WRAPS_AT = 2**32 * 0.5e-6


@pytest.mark.long
def test_restarts_unplugs_and_the_wrap_of_the_clock(tmp_path: Path) -> None:
    """The craft is restarted in every way and unplugged; the hand's clock wraps meanwhile. All is counted, all is on
    record, and the hand's oscillator error (12 ppm in the bench file) comes out across the wrap."""
    start = WRAPS_AT - 80
    result, truth, _ = soak(160.0, 3, 1, tmp_path, roles=(Role.CRAFT,), start=start)
    stage, log = result.summary.stages["soak"], read(result.folder)

    assert sorted(truth.kinds) == ["brown-out", "hang", "line", "unplug"]
    assert stage.verdict is Verdict.PASS  # the limits on restarts are taken away
    assert stage.readings["craft.resets"].value == truth.restarts[Role.CRAFT] == 4
    assert stage.readings["craft.absences"].value >= truth.unplugs[Role.CRAFT] == 1
    assert stage.readings["hand.resets"].value == stage.readings["hand.absences"].value == 0
    error = stage.readings["hand.clock_error"]
    assert error.interval is not None
    assert error.interval.low <= 12.0 <= error.interval.high
    assert error.interval.high - error.interval.low < 60
    assert log.complete
    causes = [e.cause for e in log.events if isinstance(e, ev.BoardReset) and e.role is Role.CRAFT and not e.asked]
    assert sorted(causes) == ["brown-out", "power on", "reset line", "watchdog"]


def test_a_board_that_stays_away_ends_the_soak_undecided(tmp_path: Path) -> None:
    from long_soak import PROCEDURE

    from benchctl import benches
    from benchctl.operate import Operation
    from benchctl.procedure.file import parse

    bench = benches.open_bench("sim", seed=2)
    try:
        bench.agenda.at(20.0, bench.power_off, Role.CRAFT)
        procedure = parse(PROCEDURE.format(seconds=300.0, interval_us=100_000).encode(), "p.toml")
        result = Operation(procedure, bench, tmp_path).perform()
    finally:
        bench.close()
    stage = result.summary.stages["soak"]

    assert stage.verdict is Verdict.UNDECIDED
    assert "craft" in stage.reason
    assert result.exit_code == 3
