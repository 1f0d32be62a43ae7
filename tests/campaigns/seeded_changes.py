"""Does the black-box procedure call each harmful change of a firmware worse, and none of the harmless ones?

    python tests/campaigns/seeded_changes.py --repeat 20

builds the hobby pair with each change, runs the procedure on the `avr` bench, compares with the run of the
unchanged pair, and prints a table: the change, the readings called worse, and whether the right one is among them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.compare import Comparison, compare
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.runs.summary import Summary
from benchctl.terms import Role
from tests.hobby_pair.changes import BENCH, HARMFUL, HARMLESS, Change, build


def run(change: Change, seed: int) -> Summary:
    """The black-box procedure on the pair with this change."""
    with tempfile.TemporaryDirectory() as name:
        images = {Role(role): path for role, path in build(change, Path(name)).items()}
        bench = benches.open_bench(str(BENCH), seed=seed, images=images)
        try:
            return Operation(load(shipped.procedure("black-box")), bench, Path(name) / "runs").perform().summary
        finally:
            bench.close()


def told(found: Comparison) -> list[str]:
    """Readings called worse, and stages that no longer pass."""
    return [r.new.name for r in found.having(Outcome.WORSE)]


def row(change: Change, found: Comparison) -> bool:
    worse = told(found)
    failed = [stage for stage, old, now in found.verdicts if str(old) == "pass" and str(now) == "fail"]
    right = bool(set(worse) & set(change.readings)) if change.readings else not worse and not failed
    stages = f"; stages failed: {', '.join(failed)}" if failed else ""
    changes = [r for r in found.having(Outcome.WORSE) if r.new.name in change.readings]
    values = "".join(f"; {r.new.name} {r.reference.value:.4g} -> {r.new.value:.4g} {r.new.unit}" for r in changes)
    print(f"{'ok   ' if right else 'WRONG'} {change.name:36} {', '.join(worse) or '-'}{stages}{values}", flush=True)
    return right


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=20, help="runs of each harmless change")
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--only", default="", help="changes whose name contains this")
    asked = parser.parse_args()
    reference = run(Change("none"), asked.seed)
    wrong = seed = 0
    plan = [*((c, 1) for c in HARMFUL), *((c, asked.repeat) for c in HARMLESS)]
    for change, times in plan:
        if asked.only not in change.name:
            continue
        for _ in range(times):
            seed += 1
            wrong += not row(change, compare(reference, run(change, asked.seed + seed)))
    print(f"{wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
