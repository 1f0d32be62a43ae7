"""How near do the stages come to the truth? Random simulated benches, measured as on any bench, then compared.

    python tests/campaigns/accuracy_campaign.py --benches 200 --seed 1 --kind sim [--write]

draws benches with oscillators up to ±0.5 %, other rails, bounces, band-gaps, latency timers; has the stages measure
them over the wire; and compares with what the models really did. Prints worst, 95th percentile and share within the
goal for each quantity; `--write` writes the table into results. What is compared, and how, is said at GOALS.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from helpers_bench import mudlark
from helpers_outputs import confirmed
from witness import Step, Witness, droop_truth

from benchctl import benches
from benchctl import events as ev
from benchctl.bench import Bench
from benchctl.stages.contract import Context
from benchctl.stages.kinds import KINDS
from benchctl.terms import Reading
from tests.campaigns import published

TITLES = {"sim": "Accuracy of the stages", "avr": "Accuracy of the stages with the firmware's image"}
COLUMNS = ("quantity", "goal", "benches", "values", "worst", "95 %", "within")

#: quantity: (goal, unit, what is compared with what)
GOALS: Mapping[str, tuple[float, str, str]] = {
    "pulse width": (1.0, "us", "each width of the sweep against the last pulse at the craft's pin before it was taken"),
    "switch edge": (5.0, "us", "each edge seen against the line's own, both from the first seen of the actuation"),
    "oscillator": (2.0, "ppm", "reading after 10 s against the mean true rate over those 10 s"),
    "VCC": (1.0, "%", "reading after calibration against the true rail while it was read; meter error 0.1 %"),
    "droop": (
        10.0, "%", "amplitude against the true rail's as its aperture (13 µs, sense pin 0) shows it, from 100 mV on"
    ),
    "droop time": (
        20.0, "%", "(ohms + ESR) · C, or the regulator's time, over 39 µs and under half the window, from 100 mV on"
    ),
    "latency": (10.0, "us", "edge to LED pin, each change, against the true times of line and pin"),
    "latency: sense, queue": (10.0, "us", "edge to CE; where the two meet is inside the chip and has no outside truth"),
    "latency: air": (10.0, "us", "CE to the other chip's interrupt line"),
    "latency: decode": (10.0, "us", "interrupt line to LED pin"),
}  # fmt: skip
#: time over which oscillators are compared
CLOCK_S = 10.0
#: a conversion at 1 MHz, during which the processor's rail is measured against itself
APERTURE_S = 13e-6
#: stage kinds performed, with the parameters that differ from the defaults
STAGES: tuple[tuple[str, dict[str, float | str | bool]], ...] = (
    ("identity", {"clock_seconds": CLOCK_S}),
    ("supply", {}),
    ("controls", {"presses": 4, "move_seconds": 3.0}),
    ("button_to_led", {"presses": 8}),
    ("joystick_to_servo", {"points": 7, "steady_frames": 10, "steps": 2}),
)


@dataclass(frozen=True)
class Error:
    """Distances from the truth of one bench's values of a quantity; NaN where a value should be there and is not."""

    quantity: str
    bench: int
    sizes: tuple[float, ...]


# ---------------------------------------------------------------------------------------------- benches


def bench_text(chance: random.Random, kind: str) -> str:
    """A random healthy bench."""
    out = [f'name = "random"\nkind = "{kind}"\nseed = {chance.getrandbits(30)}']
    out.append("[operator]\nmeter_error_pct = 0.1\nreaction_s = 0.2")
    out.append(f"[air]\npath_loss_db = {chance.uniform(45, 65):.1f}")
    for role in ("hand", "craft"):
        out += _board(chance, role)
    return confirmed(mudlark("\n".join(out) + "\n"))


def _board(chance: random.Random, role: str) -> list[str]:
    ohms = 10 ** chance.uniform(-0.5, 0.5)
    lamp = chance.uniform(0.1, 0.6) / ohms * 1000 if chance.random() < 0.7 else 0.0
    # a regulator that answers a step of I critically damped within T lets its rail dip by I T / (e C)
    recovery_us, dip = 10 ** chance.uniform(1, 1.8), chance.uniform(0.02, 0.8)
    radio_uf = max(0.0, 0.0113 * recovery_us / (math.e * dip) - 0.1)
    return [
        f"[board.{role}]\nbandgap_v = {chance.uniform(1.02, 1.18):.4f}",
        f"brown_out_v = 2.7\nadc_noise_mv = {chance.uniform(0.3, 2):.2f}",
        f"[board.{role}.oscillator]\nppm = {chance.uniform(-5000, 5000):.2f}",
        f"drift_ppm_per_s = {chance.uniform(-0.05, 0.05):.4f}",
        f"wander_ppm = {chance.uniform(0, 0.5):.3f}\nwander_s = {chance.uniform(30, 300):.1f}",
        f"[board.{role}.rail.main]\nsource_volts = {chance.uniform(4.9, 5.3):.3f}\nseries_ohms = {ohms:.4f}",
        f"bulk_uf = {10 ** chance.uniform(0.5, 2.7):.3f}\nbulk_esr_ohms = {10 ** chance.uniform(-1.5, 0):.4f}",
        f"noise_mv = {chance.uniform(0.5, 4):.2f}",
        f"[board.{role}.rail.radio]\nbulk_uf = {radio_uf:.4f}",
        f"bulk_esr_ohms = {10 ** chance.uniform(-1.5, 0):.4f}",
        f"regulator_recovery_us = {recovery_us:.2f}\nnoise_mv = {chance.uniform(0.5, 4):.2f}",
        f"[board.{role}.led]\nextra_ma = {lamp:.2f}",
        f"[board.{role}.serial]\nlatency_ms = {chance.choice((1, 2, 4, 8, 16))}",
        *(_switches(chance) if role == "hand" else []),
    ]


def _switches(chance: random.Random) -> list[str]:
    return [
        f"[board.hand.switch.{name}]\n"
        f"bounce_count = {chance.randint(0, 12)}\nbounce_us = {chance.uniform(50, 9000):.1f}"
        for name in ("switch1", "switch2")
    ]


# ---------------------------------------------------------------------------------------------- one bench


class Measured:
    """What the stages said: readings and tables by name; the witness is told when."""

    def __init__(self, witness: Witness) -> None:
        self.witness = witness
        self.readings: dict[str, Reading] = {}
        self.tables: dict[str, np.ndarray] = {}
        self.notes: list[str] = []

    def __call__(self, event: ev.Event) -> None:
        if isinstance(event, ev.ReadingTaken) and event.final:
            self.readings[event.reading.name] = event.reading
            self.witness.saw_reading(event.reading.name, CLOCK_S)
        elif isinstance(event, ev.Samples) and event.data is not None:
            self.tables[event.name] = event.data
        elif isinstance(event, ev.Note):
            self.notes.append(event.text)
        elif isinstance(event, ev.Progress) and event.text.startswith("sweep "):
            self.witness.swept.append(event.t)
        elif isinstance(event, ev.Progress):
            self.witness.looks(event.text)


def measure(number: int, kind: str, seed: int, stages: Iterable[str] | None = None) -> list[Error]:
    """Build bench `number`, have the stages measure it, compare."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "random.toml"
        path.write_text(bench_text(random.Random(f"{seed} {number}"), kind), encoding="utf-8")
        bench: Any = benches.open_bench(str(path))
    try:
        witness = Witness(bench)
        measured = Measured(witness)
        for board in bench.boards.values():
            board.open()
        for name, changes in STAGES:
            if stages is None or name in stages:
                _perform(name, changes, bench, measured, witness)
        return [Error(q, number, tuple(map(float, sizes))) for q, sizes in compare(witness, measured)]
    finally:
        bench.close()


def _perform(name: str, changes: Mapping[str, float | str | bool], bench: Bench, seen: Measured, w: Witness) -> None:
    stage = KINDS[name]
    ctx = Context(name, bench, {**stage.defaults(), **changes}, {}, seen)
    w.begins(name)
    try:
        stage.perform(ctx)
    finally:
        ctx.cleanup.close()
        w.ends(name)
    if ctx.failures or ctx.doubts:
        seen.notes.append(f"{name}: {ctx.failures} {ctx.doubts}")


# ---------------------------------------------------------------------------------------------- comparison


MISSING = (math.nan,)
Compared = Iterable[tuple[str, Sequence[float]]]


def compare(w: Witness, m: Measured) -> Compared:
    """(quantity, distances from the truth) of one bench; NaN where a value should be there and is not."""
    checks: tuple[Callable[[Witness, Measured], Compared], ...] = (
        _oscillators, _supplies, _droops, _edges, _latencies, _pulses,
    )  # fmt: skip
    for check in checks:
        yield from check(w, m)


def _oscillators(w: Witness, m: Measured) -> Compared:
    for role in w.boards:
        reading = m.readings.get(f"{role}.oscillator_error")
        if "identity" in w.spans:
            yield "oscillator", (abs(reading.value - w.mean_ppm(role)),) if reading else MISSING


def _supplies(w: Witness, m: Measured) -> Compared:
    for role in w.boards if "supply" in w.spans else ():
        reading = m.readings.get(f"{role}.vcc")
        truth = w.rest_volts(role)
        yield "VCC", _relative(reading, truth)


def _droops(w: Witness, m: Measured) -> Compared:
    for role in w.boards if "supply" in w.spans else ():
        spec = w.boards[role].spec
        for load, rail, aperture in (("led", spec.supply_rail, APERTURE_S), ("transmit", spec.radio.rail, 0.0)):
            step = w.step(role, load)
            if step is not None:
                yield from _droop(m, f"{role}.{load}", step, rail, aperture)


def _droop(m: Measured, name: str, step: Step, rail: str, aperture: float) -> Compared:
    table = m.tables.get(name.replace(".", "_"))
    end = float(table[:, 0].max()) * 1e-6 if table is not None and len(table) else 1.5e-3
    truth = droop_truth(step, rail, end, aperture)
    if truth.amplitude < 0.1:
        return
    reading = m.readings.get(f"{name}_droop")
    yield "droop", _relative(reading, truth.amplitude)
    # over three apertures, and bent within the window, else there is no time constant to be seen
    if 3 * APERTURE_S < truth.tau < 0.5 * end:
        yield "droop time", _relative(m.readings.get(f"{name}_tau"), 1e6 * truth.tau)


def _relative(reading: Reading | None, truth: float) -> Sequence[float]:
    return (100 * abs(reading.value / truth - 1),) if reading is not None else MISSING


def _edges(w: Witness, m: Measured) -> Compared:
    for name in ("switch1", "switch2") if "controls" in w.spans else ():
        table = m.tables.get(f"hand_{name}_edges")
        yield "switch edge", MISSING if table is None else edge_errors(table, w.edges(name, "controls"))


def edge_errors(stamped: np.ndarray, true: np.ndarray, quiet_us: float = 20_000.0) -> list[float]:
    """Distances of stamped edges from the line's own, actuation by actuation, rows of (µs, level).

    Only differences within an actuation count, not where the clock began. A contact that moves there and back faster
    than an interrupt comes is seen by no board: such pairs of edges are not among the stamped ones.
    """
    out: list[float] = []
    groups = [np.split(t, np.flatnonzero(np.diff(t[:, 0]) > quiet_us) + 1) for t in (stamped, true)]
    if len(groups[0]) != len(groups[1]):
        return [math.inf]
    for seen, real in zip(*groups, strict=True):
        if len(seen) > 1:
            out += min((_distances(seen, real, start) for start in real[real[:, 1] == seen[0, 1], 0]), key=max)
    return out


def _distances(seen: np.ndarray, real: np.ndarray, start: float) -> list[float]:
    """The same with the first stamped edge taken for the true one at `start`."""
    shifted = seen[1:, 0] - seen[0, 0] + start
    alike = [np.abs(real[real[:, 1] == level, 0] - at) for at, level in zip(shifted, seen[1:, 1], strict=True)]
    return [float(a.min()) if len(a) else math.inf for a in alike]


def _latencies(w: Witness, m: Measured) -> Compared:
    if "button_to_led" not in w.spans:
        return
    table = m.tables.get("latency_parts")
    truth = w.latencies()
    if table is None or len(truth) != len(table):
        yield "latency", MISSING
        return
    sense, queue, air, decode, total = table[:, 1:6].T
    pairs = (("", total), (": sense, queue", sense + queue), (": air", air), (": decode", decode))
    for i, (part, got) in enumerate(pairs):
        yield f"latency{part}", np.abs(got - truth[:, i]).tolist()


def _pulses(w: Witness, m: Measured) -> Compared:
    if "joystick_to_servo" not in w.spans:
        return
    table = m.tables.get("sweep")
    if table is None or not len(table):
        yield "pulse width", MISSING
        return
    errors = np.abs(table[:, 1] - w.widths_before(w.swept))
    yield "pulse width", errors.tolist()


# ---------------------------------------------------------------------------------------------- table


@dataclass(frozen=True)
class Row:
    """One line of the table: of all values of all benches."""

    quantity: str
    benches: int
    values: int
    worst: float
    p95: float
    within: float

    def cells(self) -> tuple[str, ...]:
        goal, unit, _ = GOALS[self.quantity]
        sign = {"us": "µs"}.get(unit, unit)
        return (
            self.quantity, f"{goal:g} {sign}", str(self.benches), str(self.values), f"{self.worst:.2f} {sign}",
            f"{self.p95:.2f} {sign}", f"{100 * self.within:.2f} %",
        )  # fmt: skip


def score(errors: Iterable[Error]) -> list[Row]:
    """A missing value (NaN) counts as a miss."""
    found: dict[str, list[Error]] = {}
    for one in errors:
        found.setdefault(one.quantity, []).append(one)
    out = []
    for quantity, (goal, _, _) in GOALS.items():
        rows = found.get(quantity, [])
        sizes = np.sort([math.inf if math.isnan(e) else e for r in rows for e in r.sizes])
        if len(sizes):
            p95, share = float(sizes[math.ceil(0.95 * len(sizes)) - 1]), float((sizes <= goal).mean())
            out.append(Row(quantity, len({r.bench for r in rows}), len(sizes), float(sizes[-1]), p95, share))
    return out


def as_text(rows: list[Row]) -> str:
    """The table in Markdown."""
    lines = [COLUMNS, ("---",) * len(COLUMNS), *(r.cells() for r in rows)]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def block(rows: list[Row], count: int, seed: int, kind: str) -> list[str]:
    """What stands in the file of results."""
    command = f"python tests/campaigns/accuracy_campaign.py --benches {count} --seed {seed} --kind {kind} --write"
    said = [f"- {name}: {GOALS[name][2]}." for name in (r.quantity for r in rows)] if kind == "sim" else []
    return [f"`{command}`", "", as_text(rows), *([""] if said else []), *said]


def write(rows: list[Row], count: int, seed: int, kind: str, folder: Path = published.RESULTS) -> None:
    """Write the table of that kind of bench."""
    published.put(f"accuracy on {kind}", TITLES[kind], block(rows, count, seed, kind), folder)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first bench")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=("sim", "avr"), default="sim")
    parser.add_argument("--stages", help="only these, with commas")
    parser.add_argument("--write", action="store_true", help="write the table into tests/campaigns/results")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    errors: list[Error] = []
    began = time.monotonic()
    for number in range(args.first, args.first + args.benches):
        got = measure(number, args.kind, args.seed, args.stages.split(",") if args.stages else None)
        errors += got
        for one in got:
            goal = GOALS[one.quantity][0]
            missed = [e for e in one.sizes if not e <= goal]
            if missed:
                said = f"{one.quantity}: {len(missed)} of {len(one.sizes)} beyond {goal:g}, {max(missed):.3g}"
                print(f"bench {number}: {said}", file=sys.stderr)
    rows = score(errors)
    if args.write:
        write(rows, args.benches, args.seed, args.kind)
    if args.json:
        print(json.dumps([{"goal": GOALS[r.quantity][0], **r.__dict__} for r in rows]))
    else:
        print(as_text(rows))
        print(f"{args.benches} benches in {time.monotonic() - began:.0f} s")
    return int(any(r.within < 1 for r in rows))


if __name__ == "__main__":
    sys.exit(main())
