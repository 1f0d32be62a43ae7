"""How often is something called worse when nothing has changed?

    python tests/campaigns/compare_campaign.py --count 500 --seed 1000

runs the regression procedure on `sim` again and again, each time with a fresh seed, compares every run with the one
before it, and prints each false "worse". The promise is at most 5 % of comparisons; the 95 % upper bound of the
share is printed beside it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.analysis.loss import clopper_pearson
from benchctl.compare import Comparison, compare
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.regression import sized
from benchctl.runs.summary import Summary


def run(seed: int, share: float, root: Path) -> Summary:
    """One run on a fresh healthy bench."""
    bench = benches.open_bench("sim", seed=seed)
    try:
        return Operation(sized(load(shipped.procedure("regression")), share), bench, root).perform().summary
    finally:
        bench.close()


def comparisons(count: int, seed: int, share: float) -> Iterator[Comparison]:
    """`count` comparisons of neighbouring runs of the same, nothing kept on disk."""
    before: Summary | None = None
    for number in range(count + 1):
        with tempfile.TemporaryDirectory() as folder:
            now = run(seed + number, share, Path(folder))
        if before is not None:
            yield compare(before, now)
        before = now


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--share", type=float, default=0.25, help="part of the procedure's sample sizes")
    told = parser.parse_args()
    wrong = undecided = done = 0
    for found in comparisons(told.count, told.seed, told.share):
        done += 1
        worse = found.having(Outcome.WORSE)
        undecided += bool(found.having(Outcome.UNDECIDED))
        wrong += bool(worse) or any(str(now) == "fail" for *_, now in found.verdicts)
        for r in worse:
            print(f"{found.new}: {r.stage}.{r.new.name}: {r.reference.text()} -> {r.new.text()}", flush=True)
        if done % 50 == 0:
            print(f"{done}: {wrong} false alarms, {undecided} with a reading undecided", flush=True)
    high = clopper_pearson(wrong, done).high
    print(f"{wrong} of {done} called worse: {100 * wrong / done:.2f} % (at most {100 * high:.2f} %)")
    return 0 if wrong / done <= 0.05 else 1


if __name__ == "__main__":
    raise SystemExit(main())
