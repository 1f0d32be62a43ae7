"""Statistics of ten million packet records against plain numpy: `bench_statistics.py [--quick] [--json]`.

Loss with bursts, quantiles and the whole RFC 3550 jitter series. Ours takes them block by block (`PacketStream`),
plain numpy has them all in memory. Every measurement runs in a process of its own, whose peak memory is told too; that
it stays flat is seen from a tenth of them to ten times as many.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

QUICK = "--quick" in sys.argv
PACKETS, REPEATS = (1_000_000, 2) if QUICK else (10_000_000, 5)
BLOCK = 1 << 18
GMIN = 16


def blocks(packets: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Numbers of the packets that arrived and their delays in ticks; 1 % lost, a third of that in bursts."""
    rng = np.random.default_rng(7)
    for start in range(0, packets, BLOCK):
        count = min(BLOCK, packets - start)
        lost = rng.random(count) < 0.006
        lost |= np.roll(lost, 2) & (rng.random(count) < 0.5)
        numbers = np.flatnonzero(~lost) + start
        yield numbers, (600 + rng.lognormal(3, 0.8, len(numbers))).astype(np.int64)


def ours(packets: int) -> tuple[float, list[float]]:
    from benchctl.analysis.streaming import PacketStream

    stream, spent = PacketStream(), 0.0
    for numbers, ticks in blocks(packets):
        began = time.process_time()
        stream.add(numbers, ticks)
        spent += time.process_time() - began
    began = time.process_time()
    seen = stream.summary(packets)
    found = [seen.lost, seen.bursts, *(stream.quantile(p) for p in (0.5, 0.99)), seen.jitter.mean]
    return spent + time.process_time() - began, found


def plain(packets: int) -> tuple[float, list[float]]:
    parts = list(blocks(packets))
    numbers, ticks = (np.concatenate(column) for column in zip(*parts, strict=True))
    del parts
    began = time.process_time()
    steps = np.diff(numbers, prepend=-1)
    where = np.flatnonzero(steps > 1)
    starts, lengths = numbers[where] - steps[where] + 1, steps[where] - 1
    ends = starts + lengths - 1
    new = np.concatenate(([True], starts[1:] - ends[:-1] > GMIN))
    groups = np.add.reduceat(lengths, np.flatnonzero(new)) if len(new) else np.zeros(0)
    # of all sent: a lost packet has taken longer than any
    ranks = [int(np.ceil(p * packets)) - 1 for p in (0.5, 0.99)]
    quantiles = np.partition(ticks, ranks)[ranks]
    series = jitter(np.abs(np.diff(ticks)).astype(np.float64))
    lost = packets - len(numbers)
    found = [lost, int((groups > 1).sum()), *map(float, quantiles), float(series.mean())]
    return time.process_time() - began, found


def jitter(moves: np.ndarray, width: int = 256) -> np.ndarray:
    """J += (|D| - J) / 16 as sums of a block with falling weights, block by block."""
    rows = np.pad(moves, (0, -len(moves) % width)).reshape(-1, width)
    fall = (15 / 16) ** np.arange(1, width + 1)
    out = np.cumsum(rows / fall, axis=1) * fall / 16
    carried = 0.0
    for row in out:
        row += carried * fall
        carried = row[-1]
    return out.ravel()[: len(moves)]


def alone(kind: str, packets: int) -> dict[str, float]:
    """One measurement in a new process."""
    command = [sys.executable, __file__, "--one", kind, str(packets)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def one(kind: str, packets: int) -> None:
    seconds, found = {"ours": ours, "plain": plain}[kind](packets)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "peak_mb": peak, "found": found}))


def main() -> None:
    pairs = [(alone("plain", PACKETS), alone("ours", PACKETS)) for _ in range(REPEATS)]
    a, b = pairs[0]
    assert np.allclose(a["found"][:4], b["found"][:4], rtol=1e-9), f"plain {a['found']}, ours {b['found']}"
    ratios = [o["seconds"] / p["seconds"] for p, o in pairs]
    row = {
        "packets": PACKETS,
        "plain_s": round(statistics.median(p["seconds"] for p, _ in pairs), 3),
        "ours_s": round(statistics.median(o["seconds"] for _, o in pairs), 3),
        "ratio": round(statistics.median(ratios), 2),
        "low": round(min(ratios), 2),
        "high": round(max(ratios), 2),
        "plain_mb": round(max(p["peak_mb"] for p, _ in pairs)),
        "peak_mb": round(max(o["peak_mb"] for _, o in pairs)),
        "tenth_mb": round(alone("ours", PACKETS // 10)["peak_mb"]),
        "tenfold_mb": round(alone("ours", PACKETS * 10)["peak_mb"]),
    }
    if "--json" in sys.argv:
        print(json.dumps({"statistics": row}))
        return
    print(
        f"{PACKETS} packets: {row['ours_s']} s, {row['ratio']} x plain numpy ({row['low']} to {row['high']}), peak "
        f"{row['peak_mb']} MB against {row['plain_mb']} (a tenth of them {row['tenth_mb']}, tenfold {row['tenfold_mb']}); goals 1.3 x, 400 MB"
    )


if __name__ == "__main__":
    if "--one" in sys.argv:
        one(sys.argv[-2], int(sys.argv[-1]))
    else:
        main()
