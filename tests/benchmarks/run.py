"""All benchmarks by one command: `run.py [--quick] [--only NAME] [--json] [--write]`.

Each runs as a process of its own and gives its figures as JSON; here they are laid beside the goals. Quote ratios: the
ceiling of each was measured in the same run, absolute figures go with the machine and with what else runs on it.
--write writes the table into tests/campaigns/results.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(ROOT))

from tests.campaigns import published  # noqa: E402

#: of a quick run
NOTES = ["A quick run leaves the bring-up on `avr` out: 25 to 45 s."]
COLUMNS = ("what", "goal", "found", "spread", "")
#: of three figures in a list: median, lowest, highest
Figures = Any


@dataclass(frozen=True)
class Row:
    """One goal. pick: (median, lowest, highest) out of the script's JSON. most: the goal is an upper bound."""

    script: str
    what: str
    goal: float
    unit: str
    pick: Callable[[Figures], Sequence[float]]
    most: bool = False


def _spread(table: Mapping[str, float], key: str) -> Sequence[float]:
    return table[key], table.get("low", table.get("lo", table[key])), table.get("high", table.get("hi", table[key]))


def _alone(value: float) -> Sequence[float]:
    return value, value, value


ROWS: tuple[Row, ...] = (
    Row("bench_framing", "frames decoded: share of split, COBS, CRC and struct", 0.8, "",
        lambda j: _spread(j["frames"], "ratio")),
    Row("bench_ports", "two ports at 200 kB/s: frames lost", 0, "", lambda j: _alone(j["lost_frames"]), True),
    Row("bench_ports", "the same: reading and decoding", 30, "% of a core", lambda j: j["reading_and_decoding"], True),
    Row("bench_link", "link test on avr at 250k: share of the floor's 893/s", 0.9, "",
        lambda j: _spread(j["250000"], "share")),
    Row("bench_link", "at 1M: of 2 044/s", 0.9, "", lambda j: _spread(j["1000000"], "share")),
    Row("bench_link", "at 2M: of 2 618/s", 0.9, "", lambda j: _spread(j["2000000"], "share")),
    Row("bench_records", "bulk records to disk: share of plain appends", 0.7, "",
        lambda j: _spread(j["append"]["bulk_of_plain"], "median")),
    Row("bench_records", "100 000 runs listed", 2, "s", lambda j: _spread(j["list"]["listed_s"], "median"), True),
    Row("bench_records", "the same: of processor", 2, "s", lambda j: _alone(j["list"]["cpu_s"]), True),
    Row("bench_records", "the same: times what the system takes to tell size and time of each log", 5, "x",
        lambda j: _spread(j["list"]["of_stat"], "median"), True),
    Row("bench_records", "100 000 runs listed and chosen by board, verdict, cause and date", 2, "s",
        lambda j: _spread(j["list"]["chosen_s"], "median"), True),
    Row("bench_records", "the same: of processor", 2, "s", lambda j: _alone(j["list"]["chosen_cpu_s"]), True),
    Row("bench_sim", "sim link round trips", 40_000, "/s",
        lambda j: _spread(j["acknowledged, full speed"], "packets/s")),
    Row("bench_sim", "the same: share of what the transceiver model does alone", 0.0, "",
        lambda j: _alone(j["acknowledged, full speed"]["of_parts"])),
    Row("bench_avr", "avr against real time, link test", 2, "x", lambda j: _spread(j["link"], "x_real")),
    Row("bench_avr", "the same by processor seconds", 2, "x", lambda j: _alone(j["link"]["x_cpu"])),
    Row("bench_avr", "avr against real time, waiting", 10, "x", lambda j: _spread(j["waiting"], "x_real")),
    Row("bench_avr", "the same by processor seconds", 10, "x", lambda j: _alone(j["waiting"]["x_cpu"])),
    Row("bench_avr", "three boards, link test", 1, "x", lambda j: _spread(j["three_link"], "x_real")),
    Row("bench_avr", "three boards, waiting", 5, "x", lambda j: _spread(j["three_waiting"], "x_real")),
    Row("bench_bring_up", "whole bring-up with report, sim", 8, "s", lambda j: _spread(j["sim"], "wall_s"), True),
    Row("bench_bring_up", "the same: of processor", 8, "s", lambda j: _alone(j["sim"]["cpu_s"]), True),
    Row("bench_bring_up", "whole bring-up with report, avr", 180, "s", lambda j: _spread(j["avr"], "wall_s"), True),
    Row("bench_stop", "stop key to the last byte, three ports", 20, "ms", lambda j: _spread(j["three"], "median"), True),
    Row("bench_stop", "the same, one of them stuck", 20, "ms", lambda j: _spread(j["three_stuck"], "median"), True),
    Row("bench_start", "--version: times a bare interpreter", 2.5, "x", lambda j: _spread(j["version"], "ratio"), True),
    Row("bench_ui", "two ports at 200 kB/s beside the run screen: frames lost", 0, "",
        lambda j: _alone(j["full_rate"]["lost_frames"]), True),
    Row("bench_ui", "first paint: times a bare Textual table", 1.3, "x", lambda j: _first(j, "paint"), True),
)  # fmt: skip


def _first(found: Figures, name: str) -> Sequence[float]:
    """The ratio of a table that gives it as "ratio" or "ratios", alone or with its spread."""
    table = found[name]
    value = table.get("ratio", table.get("ratios")) if isinstance(table, dict) else table
    if isinstance(value, dict):
        return _spread(value, "median")
    if isinstance(value, list):
        return value[0], min(value), max(value)
    return _spread(table, "ratio") if isinstance(table, dict) and "low" in table else _alone(value)


def run(script: str, quick: bool) -> Figures:
    """A script's JSON. Raises CalledProcessError when it fails."""
    command = [sys.executable, str(HERE / f"{script}.py"), "--json"] + ["--quick"] * quick
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    lines = [line for line in done.stdout.splitlines() if line.startswith("{")]
    if not lines:
        raise RuntimeError(f"{script} gave no figures: {done.stderr.strip().splitlines()[-1:] or done.returncode}")
    return json.loads(lines[-1])


@dataclass(frozen=True)
class Found:
    row: Row
    median: float
    low: float
    high: float

    @property
    def met(self) -> bool:
        return self.median <= self.row.goal if self.row.most else self.median >= self.row.goal

    def cells(self) -> tuple[str, ...]:
        unit = f" {self.row.unit}" if self.row.unit else ""
        bound = "at most" if self.row.most else "at least"
        spread = "" if self.low == self.high else f"{_short(self.low)} to {_short(self.high)}"
        said = "met" if self.met else "missed"
        return self.row.what, f"{bound} {_short(self.row.goal)}{unit}", f"{_short(self.median)}{unit}", spread, said


def _short(value: float) -> str:
    return f"{value:,.0f}".replace(",", " ") if abs(value) >= 100 else f"{value:.3g}"


def as_text(found: Sequence[Found], failed: Mapping[str, str]) -> str:
    rows = [COLUMNS, ("---",) * len(COLUMNS), *(f.cells() for f in found)]
    rows += [(name, "", "", "", why) for name, why in failed.items()]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in rows)


def write(text: str, quick: bool) -> None:
    command = "python tests/benchmarks/run.py" + " --quick" * quick + " --write"
    published.put("benchmarks", "Benchmarks", [f"`{command}`", "", text, *(["", *NOTES] if quick else [])])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer repeats, smaller sizes")
    parser.add_argument("--only", action="append", metavar="NAME", help="this script (bench_link); repeatable")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write", action="store_true", help="write the table into tests/campaigns/results")
    args = parser.parse_args()
    figures: dict[str, Figures] = {}
    failed: dict[str, str] = {}
    found: list[Found] = []
    for row in ROWS:
        if args.only and row.script not in args.only:
            continue
        try:
            if row.script not in figures and row.script not in failed:
                print(f"{row.script} …", file=sys.stderr, flush=True)
                figures[row.script] = run(row.script, args.quick)
            if row.script in figures:
                found.append(Found(row, *map(float, row.pick(figures[row.script]))))
        except (RuntimeError, KeyError, TypeError, ValueError) as e:
            failed.setdefault(row.script, f"not measured: {e!r}"[:100])
    text = as_text(found, failed)
    if args.write:
        write(text, args.quick)
    if args.json:
        print(json.dumps({"figures": figures, "met": {f.row.what: f.met for f in found}, "failed": failed}))
    else:
        print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
