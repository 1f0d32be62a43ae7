"""How often is something called worse when nothing has changed?

    python tests/campaigns/compare_campaign.py --count 500 --seed 1000 [--looks] [--tally FILE] [--write]

runs the regression procedure on `sim` again and again, each time with a fresh seed, and prints each false "worse". The
promise is at most 5 % of comparisons; the 95 % upper bound of the share is printed beside it. In looks at least 99 %
must end "same", with exit code 0. Without `--looks` every
run is compared with the one before it, at a part of the sample sizes. With it every comparison is what `benchctl run
regression --reference` does, in up to two looks, against one of every ten whole runs. `--tally FILE` goes on from
the comparisons that FILE holds already; `--write` writes the result into results.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.analysis.loss import clopper_pearson
from benchctl.compare import Comparison, compare
from benchctl.procedure.file import load
from benchctl.regression import LOOKS, Regression, regress, sized
from benchctl.runs.summary import Summary
from tests.campaigns import published
from tests.campaigns.unreported import Unreported

#: comparisons with one reference
SHARED = 10


def run(seed: int, share: float) -> Summary:
    """One run on a fresh healthy bench, nothing kept on disk."""
    bench = benches.open_bench("sim", seed=seed)
    try:
        with tempfile.TemporaryDirectory() as folder:
            wanted = sized(load(shipped.procedure("regression")), share)
            return Unreported(wanted, bench, Path(folder)).perform().summary
    finally:
        bench.close()


def looked(reference: Summary, seed: int) -> Regression:
    """A fresh healthy bench against the reference, in as many looks as it takes."""
    bench = benches.open_bench("sim", seed=seed)
    try:
        with tempfile.TemporaryDirectory() as folder:
            procedure = load(shipped.procedure("regression"))
            return regress(procedure, reference, lambda p: Unreported(p, bench, Path(folder)))
    finally:
        bench.close()


def told(number: int, found: Comparison, looks: int) -> dict[str, Any]:
    """A comparison in a line. worse: what was called so, and stages that failed."""
    worse = [
        f"{r.stage}.{r.new.name}: {r.reference.text()} -> {r.new.text()}" for r in found.having(Outcome.WORSE)
    ]
    worse += [f"stage {stage} failed" for stage, _, now in found.verdicts if str(now) == "fail"]
    undecided = [f"{r.stage}.{r.new.name}" for r in found.having(Outcome.UNDECIDED)]
    share = sum(LOOKS[:looks])
    return {"number": number, "worse": worse, "undecided": undecided, "looks": looks, "verdict": str(found.verdict),
            "share": share}


def neighbours(first: int, count: int, seed: int, share: float) -> Iterator[dict[str, Any]]:
    before = run(seed + first, share) if first < count else None
    for number in range(first, count):
        now = run(seed + number + 1, share)
        assert before is not None
        yield told(number, compare(before, now), 1)
        before = now


def in_looks(first: int, count: int, seed: int) -> Iterator[dict[str, Any]]:
    reference: Summary | None = None
    for number in range(first, count):
        if reference is None or number % SHARED == 0:
            reference = run(1_000_000 + seed + number // SHARED, 1.0)
        done = looked(reference, seed + number)
        yield told(number, done.comparison, len(done.results))


def lines(rows: list[dict[str, Any]], asked: argparse.Namespace) -> Iterator[str]:
    wrong, n = sum(bool(r["worse"]) for r in rows), len(rows)
    looks = [sum(r["looks"] == k for r in rows) for k in (1, 2)]
    how = "in up to two looks" if asked.looks else f"at {asked.share:g} of the sample sizes, one look"
    way = " --looks" if asked.looks else ""
    yield f"`python tests/campaigns/compare_campaign.py --count {n} --seed {asked.seed}{way} --write`"
    yield ""
    yield f"Regression on `sim`, nothing changed, {how}; 95 % upper bound by Clopper and Pearson."
    yield ""
    yield "| comparisons | called worse | share | at most | goal | some reading undecided | decided after 1, 2 looks | same | packets of a whole run, mean |"
    yield "| --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    high = 100 * clopper_pearson(wrong, n).high
    undecided = sum(bool(r["undecided"]) for r in rows)
    spread = ", ".join(map(str, looks))
    same = sum(r["verdict"] == "pass" for r in rows)
    mean = sum(r["share"] for r in rows) / n
    head = f"| {n} | {wrong} | {100 * wrong / n:.2f} % | {high:.2f} % | 5 % | {undecided} | {spread} "
    yield f"{head}| {100 * same / n:.1f} % | {mean:.2f} |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--share", type=float, default=0.25, help="part of the procedure's sample sizes, without --looks")
    parser.add_argument("--looks", action="store_true", help="as many looks as it takes")
    parser.add_argument("--tally", type=Path, metavar="FILE", help="a JSON line a comparison; gone on from")
    parser.add_argument("--write", action="store_true", help="write the table into tests/campaigns/results")
    asked = parser.parse_args()
    rows = [json.loads(line) for line in asked.tally.read_text().splitlines()] if asked.tally and asked.tally.exists() else []
    left = in_looks(len(rows), asked.count, asked.seed) if asked.looks else neighbours(
        len(rows), asked.count, asked.seed, asked.share)  # fmt: skip
    for row in left:
        rows.append(row)
        for text in row["worse"]:
            print(f"{row['number']}: {text}", flush=True)
        if asked.tally:
            with asked.tally.open("a") as file:
                file.write(json.dumps(row) + "\n")
    table = list(lines(rows, asked))
    print("\n".join(table))
    if asked.write:
        published.put("false alarms" + " in looks" * asked.looks, "False alarms of comparisons", table)
    worse, same = (sum(map(bool, found)) for found in ((r["worse"] for r in rows), (r["verdict"] == "pass" for r in rows)))
    return 0 if worse <= 0.05 * len(rows) and (not asked.looks or same >= 0.99 * len(rows)) else 1


if __name__ == "__main__":
    raise SystemExit(main())
