"""Restarts seen from outside, and presses that keep step with no loop: two ordinary pairs, beside what the chips did."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polled_pair
import pytest
from needs import need_avr
from test_gauge import own_pulses, reading

from benchctl import benches
from benchctl import events as ev
from benchctl.avr.chip import Reset
from benchctl.operate import Operation
from benchctl.procedure.file import parse
from benchctl.runs.summary import Summary
from benchctl.runs.tables import Tables
from benchctl.terms import Role, Verdict
from tests.hobby_pair.changes import BENCH, Change, build

_WANTED = """name = "outside"
[[stage]]
name = "switch"
kind = "gauge_switch_to_led"
[stage.parameters]
presses = {presses}
"""
PAIRS = ("hobby", "polled")
#: a sketch whose watchdog, once set, is never fed
_BITES = {
    "void setup() {\n  DDRD |= 1 << PD3 | 1 << PD6;": "#include <avr/wdt.h>\nvoid setup() {\n  MCUSR = 0;\n  wdt_disable();\n"
    "  wdt_enable(WDTO_2S);\n  DDRD |= 1 << PD3 | 1 << PD6;"
}

pytestmark = [pytest.mark.long, own_pulses]


class Pressed:
    """A run of the switch's stage. restarts: when a board started anew while it ran, s."""

    def __init__(self, images: dict[str, str], bench_file: str, folder: Path, presses: int) -> None:
        bench = benches.open_bench(bench_file, seed=4, images={Role(r): p for r, p in images.items()})
        restarts: list[float] = []
        times: list[float] = []
        for role in (Role.HAND, Role.CRAFT):
            chip, told = bench.chips[role], bench.chips[role].on_reset

            def restarted(cause: Reset, time: float, told=told) -> None:
                restarts.append(time)
                told(cause, time)

            chip.on_reset = restarted
        wanted = parse(_WANTED.format(presses=presses).encode(), "outside.toml")
        try:
            result = Operation(wanted, bench, folder / "runs", readers=[lambda e: self._note(e, times)], reports=False).perform()
        finally:
            bench.close()
        self.s: Summary = result.summary
        self.folder = result.folder
        self.window = times[0], times[-1]
        self.restarts = [t for t in restarts if times[0] < t < times[-1]]

    @staticmethod
    def _note(event: ev.Event, times: list[float]) -> None:
        if getattr(event, "stage", "") == "switch":
            times.append(event.t)


@pytest.mark.parametrize("pair", PAIRS)
def test_every_bite_of_a_watchdog_is_counted(pair: str, tmp_path: Path) -> None:
    """No reset line falls at it: it shows in the pulses. One at either end of the stage may be missed."""
    need_avr()
    if pair == "hobby":
        images, bench_file = build(Change("bites", craft=("-DRESTARTS",)), tmp_path), BENCH
    else:
        images, bench_file = polled_pair.build(tmp_path, _BITES), polled_pair.bench(tmp_path)
    run = Pressed(images, bench_file, tmp_path, presses=8)

    inner = [t for t in run.restarts if run.window[0] + 0.3 < t < run.window[1] - 0.3]
    found = reading(run.s, "switch", "resets")
    assert len(inner) >= 2
    assert len(inner) <= found.value <= len(run.restarts)
    assert run.s.stages["switch"].verdict is Verdict.FAIL


@pytest.mark.parametrize("pair", PAIRS)
def test_a_loop_of_71_ms_is_read_as_independent_presses_would(pair: str, tmp_path: Path) -> None:
    """Even over its turn: theory has half a turn at the median and 95 % of it at the 95th percentile. Its turn is told."""
    need_avr()
    if pair == "hobby":
        images, bench_file = build(Change("slow", hand=("-DLOOP_MS=71", "-DDEBOUNCE_MS=1")), tmp_path), BENCH
    else:
        slow = {
            "_delay_ms(1);": "_delay_ms(71);",
            "#define DEBOUNCE_MS 8": "#define DEBOUNCE_MS 1",
            "SEND_MS = 15": "SEND_MS = 1",
        }
        images, bench_file = polled_pair.build(tmp_path, slow), polled_pair.bench(tmp_path)
    run = Pressed(images, bench_file, tmp_path, presses=40)

    p50, p95 = (reading(run.s, "switch", f"latency_{q}").interval for q in ("p50", "p95"))
    assert p50 is not None
    assert p95 is not None
    # a turn of 71 to 72 ms, and 1 to 3 ms for debounce, packet and the craft's own turn
    assert p50.low < 0.5 * 72 + 3
    assert p50.high > 0.5 * 71 + 1
    assert p95.low < 0.95 * 72 + 3
    assert p95.high > 0.95 * 71 + 1
    assert reading(run.s, "switch", "resets").value == 0.0
    table = Tables(run.folder)(run.s.stages["switch"].tables["latency_by_phase"])
    # who presses later in the turn waits less: phase and latency add up to a turn
    together = np.sum(table, axis=1) % 72.0
    assert np.median(np.minimum(together, 72.0 - together)) < 4.0
