"""Wall time of a whole bring-up with its report, nobody's thinking time in it: `bench_bring_up.py [--quick] [--json]`.

On sim three runs, on avr one (--quick: sim once). The process is a new one each time, as a user would start it. Also
given: processor seconds, which other programs on the machine stretch less.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
QUICK = "--quick" in sys.argv
RUNS = {"sim": 1} if QUICK else {"sim": 3, "avr": 1}
GOALS = {"sim": 8.0, "avr": 180.0}


def run(kind: str, seed: int) -> dict[str, float]:
    """One run and its HTML report: wall and processor seconds, bench seconds, exit code."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "benchctl", "run", "bring-up", "--bench", kind, "--seed", str(seed)]
        began, before = time.perf_counter(), os.times()
        done = subprocess.run([*command, "--json", "--out", folder], cwd=ROOT, capture_output=True, text=True)
        name = json.loads(done.stdout)["run"]
        report = [sys.executable, "-m", "benchctl", "report", str(Path(folder) / Path(name).name), "--format", "html"]
        subprocess.run([*report, "--out", str(Path(folder) / "report.html")], cwd=ROOT, check=True, capture_output=True)
        wall, after = time.perf_counter() - began, os.times()
        stages = json.loads(done.stdout)["stages"]
    return {
        "wall_s": wall,
        "cpu_s": after.children_user + after.children_system - before.children_user - before.children_system,
        "bench_s": sum(stage["seconds"] for stage in stages),
        "exit": done.returncode,
    }


def main() -> None:
    rows = {}
    for kind, count in RUNS.items():
        runs = [run(kind, seed) for seed in range(1, count + 1)]
        walls = [r["wall_s"] for r in runs]
        rows[kind] = {
            "wall_s": round(statistics.median(walls), 2),
            "low": round(min(walls), 2),
            "high": round(max(walls), 2),
            "cpu_s": round(statistics.median(r["cpu_s"] for r in runs), 2),
            "bench_s": round(statistics.median(r["bench_s"] for r in runs), 1),
            "passed": sum(r["exit"] == 0 for r in runs),
            "runs": count,
        }
    if "--json" in sys.argv:
        print(json.dumps(rows))
        return
    for kind, r in rows.items():
        print(
            f"{kind}: {r['wall_s']} s ({r['low']} to {r['high']}), {r['cpu_s']} s of processor, {r['bench_s']} s of "
            f"bench time, {r['passed']} of {r['runs']} passed; goal {GOALS[kind]:g} s"
        )


if __name__ == "__main__":
    main()
