"""Gauge: from the switch line to the LED line, whatever firmware lies between."""

from __future__ import annotations

import numpy as np

from benchctl.analysis.judge import judge
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.phases import loop_period
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.gauge_lines import (
    CRAFT_RESET,
    HAND_RESET,
    LED,
    RESETS,
    SWITCH,
    GaugeLines,
    Waits,
    read_mean,
    read_quantile,
    read_resets,
)
from benchctl.terms import Limit, Reading, Role, Source

#: of both stamps: the pin-change interrupt's entry, which another one may hold up
_STAMP_MS = 0.02


def perform(ctx: Context) -> None:
    lines = GaugeLines(ctx, LED, SWITCH, HAND_RESET, CRAFT_RESET)
    lines.start()
    lines.pull(False)
    ctx.wait(0.5)
    lines.forget()
    late: list[tuple[float, float, float]] = []
    waits = Waits(ctx.bench.chance)
    missed = 0
    changes = 2 * ctx.count("presses")
    for number in range(changes):
        ctx.wait(waits.next_s([ms for _, ms, _ in late]))
        found = _one(ctx, lines, low=number % 2 == 0)
        if found is None:
            missed += 1
        else:
            late.append(found)
        ctx.progress(number + 1, changes, f"{len(late)} of {number + 1} changes reached the LED")
    lines.pull(False)
    table = np.array(late).reshape(-1, 3)
    _judge(ctx, table[:, :2], missed, changes)
    _by_phase(ctx, table)
    read_resets(ctx, lines)


def _one(ctx: Context, lines: GaugeLines, low: bool) -> tuple[float, float, float] | None:
    """One change of the switch line: (when in s, ms until the LED line changed, when that was); None: it never did."""
    lines.forget()
    lines.pull(low)
    lines.wait_for(lambda: bool(lines.edges[SWITCH] and lines.edges[LED]), ctx.number("patience_ms") * 1e-3)
    if not lines.edges[SWITCH]:
        ctx.fail("the switch line does not follow the gauge: check the jumpers to it")
        return None
    began = lines.edges[SWITCH][0][0]
    lit = [at for at, _ in lines.edges[LED] if at > began]
    return (began, 1e3 * (lit[0] - began), lit[0]) if lit else None


def _judge(ctx: Context, late: np.ndarray, missed: int, changes: int) -> None:
    ctx.read(
        "missed", 100 * missed / changes, "%", changes, clopper_pearson(missed, changes).scaled(100), Source.COUNTING,
        note="changes of the switch line that never reached the LED",
    )  # fmt: skip
    _within(ctx, late[:, 1], changes)
    if len(late):
        ctx.samples(
            "switch_to_led",
            "latency",
            {"at": "s", "latency": "ms"},
            late,
            ctx.picture("from switch to LED, each change", latency="latency_p95"),
        )
    read_quantile(ctx, "latency_p50", late[:, 1], 0.5, "ms", _STAMP_MS)
    read_quantile(ctx, "latency_p95", late[:, 1], 0.95, "ms", _STAMP_MS)
    read_mean(ctx, "latency_mean", late[:, 1], "ms", _STAMP_MS)
    if len(late):
        _stragglers(ctx, late[:, 1])


def _by_phase(ctx: Context, late: np.ndarray) -> None:
    """Where the LED changes on the turns of a loop: latency by how far the loop was when the switch line changed."""
    period = loop_period(late[:, 2])
    if period is None:
        return
    ctx.note(f"the LED changes on the turns of a loop of {1e3 * period:.1f} ms")
    # the loop is known by the change before; what is too long ago tells nothing of its phase
    since = late[1:, 0] - late[:-1, 2]
    near = (since > 0) & (since < 20 * period)
    phase = 1e3 * (since[near] % period)
    ctx.samples("latency_by_phase", "", {"phase": "ms", "latency": "ms"}, np.column_stack((phase, late[1:, 1][near])))


def _within(ctx: Context, times: np.ndarray, changes: int) -> None:
    """The share that came in time, missed ones among the others; a limit holds for its whole interval."""
    count = int((times <= ctx.number("within_ms")).sum())
    interval = clopper_pearson(count, changes).scaled(100)
    found = judge(Reading("within", 100 * count / changes, "%", changes, interval), ctx.limit_of("within"), strict=True)
    note = f"changes that reached the LED within {ctx.number('within_ms'):g} ms"
    ctx.read(found.name, found.value, "%", changes, interval, Source.COUNTING, note=note, verdict=found.verdict)


def _stragglers(ctx: Context, times: np.ndarray) -> None:
    """Few late ones among many move no quantile that can be claimed: they are counted."""
    beyond = ctx.number("straggler_ms")
    count = int((times > np.median(times) + beyond).sum())
    ctx.read(
        "stragglers", 100 * count / len(times), "%", len(times), clopper_pearson(count, len(times)).scaled(100),
        Source.COUNTING, note=f"more than {beyond:g} ms later than the median",
    )  # fmt: skip


STAGE = Stage(
    kind="gauge_switch_to_led",
    title="Switch to LED, from outside",
    instruction="The gauge pulls the hand unit's switch line and watches the craft's LED; touch nothing.",
    needs=Needs(roles=(Role.GAUGE,), passed=("gauge_wiring",)),
    perform=perform,
    parameters=(
        Parameter("presses", 300, "presses; each gives two changes", "", 5, 2000),
        Parameter("straggler_ms", 2.0, "so much later than the median is a straggler", "ms", 0.1, 1000.0),
        Parameter("within_ms", 25.0, "an LED is in time when it follows so soon", "ms", 1.0, 1000.0),
        Parameter("patience_ms", 1200, "a change not seen by then is missed", "ms", 20, 10_000),
    ),
    measures=(
        ReadingSpec(
            "missed", "%", "switch changes that never reached the LED", Limit(max=5.0), "lower", 3.0, "",
            about="Share of presses and releases without effect, seen from outside. Usual: 0 %.",
        ),
        ReadingSpec(
            "within", "%", "switch changes that came in time", None, "higher", 3.0, "",
            about="Share of presses and releases that reached the LED within 25 ms, or what the procedure sets. "
                  "Usual: 100 %.",
        ),
        ReadingSpec(
            "latency_p50", "ms", "switch to LED, median", None, "lower", 3.0, "",
            about="Time from the switch line to the LED line, whatever the firmware. Usual: 5 to 50 ms; below 20 ms "
                  "nobody feels a delay (common practice, no source).",
        ),
        ReadingSpec(
            "latency_p95", "ms", "switch to LED, 95th percentile", None, "lower", 3.0, "",
            about="The same of the slowest in twenty.",
        ),
        ReadingSpec(
            "stragglers", "%", "changes that came much later", None, "lower", 4.0, "",
            about="Share of changes much later than the median; retries or a busy program. Usual: below 2 %.",
        ),
        RESETS,
        ReadingSpec(
            "latency_mean", "ms", "switch to LED, mean", None, "lower", 3.0, "",
            about="The mean of the same times, for comparisons.",
        ),
    ),
    expected_s=lambda p: 0.12 * float(p["presses"]) + 11.0,
)  # fmt: skip
