"""Time of `benchctl --version` against a bare interpreter, one after the other: `bench_start.py [--quick] [--json]`."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
QUICK = "--quick" in sys.argv
REPEATS = 7 if QUICK else 31
SCRIPT = Path(sys.executable).with_name("benchctl")
BARE = [sys.executable, "-c", "pass"]
OURS = [str(SCRIPT), "--version"] if SCRIPT.exists() else [sys.executable, "-m", "benchctl", "--version"]


def seconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    return time.perf_counter() - began


def main() -> None:
    seconds(BARE), seconds(OURS)  # files into the cache
    pairs = [(seconds(BARE), seconds(OURS)) for _ in range(REPEATS)]
    ratios = [ours / bare for bare, ours in pairs]
    row = {
        "bare_ms": round(1e3 * statistics.median(b for b, _ in pairs), 1),
        "version_ms": round(1e3 * statistics.median(o for _, o in pairs), 1),
        "ratio": round(statistics.median(ratios), 2),
        "low": round(min(ratios), 2),
        "high": round(max(ratios), 2),
    }
    if "--json" in sys.argv:
        print(json.dumps({"version": row}))
        return
    print(f"--version: {row['version_ms']} ms, {row['ratio']} x bare ({row['low']} to {row['high']}); goal 2.5")


if __name__ == "__main__":
    main()
