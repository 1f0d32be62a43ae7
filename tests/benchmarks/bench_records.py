"""Speed of run records, as ratios to plain numpy in the same run: `bench_records.py [--quick] [--json]`.

bulk: 10 million records appended, on disk at least every second, against plain block appends with the same number
of syncs. table: the same through the log, from float64 tables that are narrowed on the way. list: 100 000 runs
listed through the index, all and chosen ones, and the index built anew.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from helpers_runs import failing_run, healthy_run

from benchctl import events as ev
from benchctl.runs import index
from benchctl.runs.history import chosen
from benchctl.runs.index import INDEX, list_rows
from benchctl.runs.log import LOG, RunLog
from benchctl.runs.samples import BulkWriter

QUICK = "--quick" in sys.argv
ROWS = 1_000_000 if QUICK else 10_000_000
RUNS, BUILT = 100_000, 1_000  # listed; the index built of
#: most links to one file that common file systems take
LINKS = 50_000
BLOCK, REPEATS = 1000, 5
KIND = np.dtype([("t", "<f8"), ("seq", "<u4"), ("latency", "<u4"), ("fate", "u1"), ("retries", "u1")])


def blocks() -> list[np.ndarray]:
    """A thousand different blocks, used in turn."""
    rng, out = np.random.default_rng(1), []
    for i in range(1000):
        b = np.zeros(BLOCK, KIND)
        b["seq"] = np.arange(i * BLOCK, (i + 1) * BLOCK)
        b["t"] = b["seq"] * 0.0005
        b["latency"] = rng.lognormal(6.5, 0.3, BLOCK)
        b["retries"] = rng.integers(0, 4, BLOCK)
        out.append(b)
    return out


def plain(path: Path, data: list[np.ndarray]) -> None:
    """The ceiling: blocks written as they are, one sync a second and one at the end."""
    last = time.monotonic()
    with open(path, "wb", buffering=0) as f:
        for i in range(ROWS // BLOCK):
            f.write(data[i % len(data)])
            if time.monotonic() - last >= 1.0:
                os.fsync(f.fileno())
                last = time.monotonic()
        os.fsync(f.fileno())


def bulk(path: Path, data: list[np.ndarray]) -> None:
    writer = BulkWriter(path, KIND, time.monotonic)
    for i in range(ROWS // BLOCK):
        writer.append(data[i % len(data)])
    writer.close()


def table(folder: Path, data: list[np.ndarray]) -> None:
    """Through the log, as stages do it: float64 tables of some thousand rows."""
    names, units = tuple(KIND.names or ()), ("s", "", "us", "", "")
    folder.mkdir()
    with RunLog(folder, time.monotonic) as log:
        for i in range(ROWS // (50 * BLOCK)):
            log(ev.Samples(float(i), "link", "packets", "packets", names, units, 50 * BLOCK, "", data[i % len(data)]))


#: what runs are chosen by
WANTED = {"board": "mudlark-craft-03", "verdict": "fail", "cause": "bulk_capacitor_missing", "since": "2026-03-14"}


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def append_ratios() -> dict[str, object]:
    ready = blocks()
    narrow = np.concatenate(ready[:50])
    wide = [np.column_stack([narrow[n].astype(float) for n in KIND.names or ()])]
    ratios: dict[str, list[float]] = {"bulk": [], "table": []}
    speed = []
    with tempfile.TemporaryDirectory() as root:
        for i in range(REPEATS):
            paths = [Path(root) / f"{name}{i}" for name in ("plain", "bulk", "table")]
            ceiling = timed(lambda p=paths[0]: plain(p, ready))
            ratios["bulk"].append(ceiling / timed(lambda p=paths[1]: bulk(p, ready)))
            ratios["table"].append(ceiling / timed(lambda p=paths[2]: table(p, wide)))
            speed.append(ROWS / ceiling)
            for p in paths[:2]:
                p.unlink()
            for p in paths[2].iterdir():
                p.unlink()
    return {
        "rows": ROWS,
        "plain_rows_per_s": round(statistics.median(speed)),
        "bulk_of_plain": spread(ratios["bulk"]),
        "table_of_plain": spread(ratios["table"]),
    }


def spread(values: list[float]) -> dict[str, float]:
    return {"median": round(statistics.median(values), 3), "low": round(min(values), 3), "high": round(max(values), 3)}


KINDS: tuple[tuple[str, Callable[[], list[ev.Event]]], ...] = (("ok", healthy_run), ("bad", failing_run))


def read_once(base: Path) -> None:
    """From now on a log is read once, however many runs are linked to it: for the index as if each had been read."""
    known = {(p / LOG).stat().st_ino: index._read_row(p) for p in base.iterdir()}
    index._read_row = lambda folder: known[(folder / LOG).stat().st_ino]._replace(name=folder.name)


def listing() -> dict[str, object]:
    """Runs with the logs of a whole bring-up each, hard-linked so that the disk is not what is measured."""
    with tempfile.TemporaryDirectory() as root:
        base = Path(root) / "base"
        logs = [(f"{kind}{n}", made()) for n in range(RUNS // LINKS + 1) for kind, made in KINDS]
        for name, events in logs:
            (base / name).mkdir(parents=True)
            with RunLog(base / name) as log:
                for e in events:
                    log(e)
        runs = Path(root) / "runs"
        build = 0.0
        for i in range(RUNS):
            folder = runs / f"20260314-{i:06d}-bring-up"
            folder.mkdir(parents=True)
            os.link(base / f"{'bad' if i % 5 == 0 else 'ok'}{i // LINKS}" / LOG, folder / LOG)
            if i + 1 == BUILT:
                build = timed(lambda: list_rows(runs))
        read_once(base)
        list_rows(runs)
        cpu = time.process_time()
        quick = [timed(lambda: list_rows(runs)) for _ in range(REPEATS)]
        cpu = (time.process_time() - cpu) / REPEATS
        chosen_cpu = time.process_time()
        few = [timed(lambda: chosen(list_rows(runs), **WANTED)) for _ in range(REPEATS)]
        chosen_cpu = (time.process_time() - chosen_cpu) / REPEATS
        ratios = []
        for _ in range(REPEATS):  # by turns: the machine's pace changes
            floor = timed(lambda: [os.stat(f"{runs}/{name}/{LOG}") for name in os.listdir(runs) if "." not in name])
            ratios.append(timed(lambda: list_rows(runs)) / floor)
        size = (runs / INDEX).stat().st_size
    return {
        "runs": RUNS,
        "built_s_a_thousand": round(1000 * build / BUILT, 2),
        "listed_s": spread(quick),
        "cpu_s": cpu,
        "of_stat": spread(ratios),
        "chosen_s": spread(few),
        "chosen_cpu_s": chosen_cpu,
        "index_bytes": size,
    }


def main() -> None:
    found: dict[str, dict[str, object]] = {"append": append_ratios(), "list": listing()}
    if "--json" in sys.argv:
        print(json.dumps(found))
        return
    a, li = found["append"], found["list"]
    print(f"{a['rows']} rows; plain numpy appends, one sync a second: {a['plain_rows_per_s']} rows/s")
    print(f"  bulk writer: {a['bulk_of_plain']} of plain (goal 0.7)")
    print(f"  tables through the log: {a['table_of_plain']} of plain")
    print(f"{li['runs']} runs: index built in {li['built_s_a_thousand']} s a thousand, listed in {li['listed_s']} s (goal 2 s)")
    print(f"  {li['of_stat']} times what the system takes to tell size and time of each log")
    print(f"  chosen by board, verdict, cause and date: {li['chosen_s']} s")


if __name__ == "__main__":
    main()
