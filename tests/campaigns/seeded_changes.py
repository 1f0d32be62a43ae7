"""Does the black-box procedure call each harmful change of a firmware worse, and none of the harmless ones?

    python tests/campaigns/seeded_changes.py --repeat 20 [--write]

builds the hobby pair with each change, runs the procedure on the `avr` bench, compares with the run of the
unchanged pair, and prints a table: the change, the readings called worse, and whether the right one is among them.
`--write` writes the table into results. `--keep DIR` keeps the runs and makes none of them twice, so that a
campaign that was cut short goes on where it was.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchctl import benches, shipped
from benchctl.analysis.equivalence import Outcome
from benchctl.compare import Comparison, compare
from benchctl.procedure.file import load
from benchctl.runs.log import read
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Role
from tests.campaigns import published
from tests.campaigns.unreported import Unreported
from tests.hobby_pair.changes import BENCH, HARMFUL, HARMLESS, Change, build


def run(change: Change, seed: int, keep: Path) -> Summary:
    """The black-box procedure on the pair with this change; read instead where `keep` has that run already."""
    folder = keep / f"{'-'.join(change.name.replace(',', '').split())}-{seed}"
    if folder.is_dir():
        kept = summarise(read(folder).events)
        if kept.ended:
            return kept
        shutil.rmtree(folder)
    with tempfile.TemporaryDirectory() as name:
        images = {Role(role): path for role, path in build(change, Path(name)).items()}
        bench = benches.open_bench(BENCH, seed=seed, images=images)
        try:
            return Unreported(load(shipped.procedure("black-box")), bench, keep, folder=folder).perform().summary
        finally:
            bench.close()


@dataclass(frozen=True)
class Told:
    """What comparisons said of a change. worse: readings called so in any of them. shown: the expected ones' values."""

    change: Change
    runs: int
    right: int
    worse: tuple[str, ...]
    shown: str = ""


def judge(change: Change, comparisons: Sequence[Comparison]) -> Told:
    """Right: an expected reading is called worse; of a harmless change nothing is, and no stage fails that passed."""
    right, worse, shown = 0, [], ""
    for found in comparisons:
        rows = found.having(Outcome.WORSE)
        names = [r.new.name for r in rows]
        names += [f"stage {stage}" for stage, old, now in found.verdicts if str(old) == "pass" and str(now) == "fail"]
        right += bool(set(names) & set(change.readings)) if change.readings else not names
        worse += [n for n in names if n not in worse]
        for r in rows:
            if r.new.name in change.readings and not shown:
                shown = f"{r.new.name} {r.reference.value:.4g} to {r.new.value:.4g} {r.new.unit}".rstrip()
    return Told(change, len(comparisons), right, tuple(worse), shown)


def table(told: Sequence[Told], command: str) -> Iterator[str]:
    harmful, harmless = ([t for t in told if bool(t.change.readings) is h] for h in (True, False))
    yield f"`{command}`"
    yield ""
    yield "Black box on `avr`, each run against one run of the unchanged pair."
    yield ""
    yield "| harmful change | worse in the right reading | other readings called worse |  |"
    yield "| --- | --- | --- | --- |"
    for t in harmful:
        others = ", ".join(n for n in t.worse if n not in t.shown.split()[:1]) or "–"
        yield f"| {t.change.name} | {t.shown or 'no'} | {others} | {'found' if t.right == t.runs else 'missed'} |"
    yield ""
    yield "| harmless change | runs | called worse |"
    yield "| --- | --- | --- |"
    for t in harmless:
        yield f"| {t.change.name} | {t.runs} | {t.runs - t.right}{' (' + ', '.join(t.worse) + ')' if t.worse else ''} |"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=20, help="runs of each harmless change")
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--only", default="", help="changes whose name contains this")
    parser.add_argument("--write", action="store_true", help="write the table into tests/campaigns/results")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the runs in DIR, and go on from them")
    asked = parser.parse_args()
    with contextlib.ExitStack() as stack:
        return campaign(asked, asked.keep or Path(stack.enter_context(tempfile.TemporaryDirectory())))


def campaign(asked: argparse.Namespace, keep: Path) -> int:
    keep.mkdir(parents=True, exist_ok=True)
    reference = run(Change("none"), asked.seed, keep)
    told: list[Told] = []
    seed = asked.seed
    for change, times in [*((c, 1) for c in HARMFUL), *((c, asked.repeat) for c in HARMLESS)]:
        if asked.only in change.name:
            found = [compare(reference, run(change, seed + n, keep)) for n in range(1, times + 1)]
            told.append(judge(change, found))
            last = told[-1]
            mark = "ok   " if last.right == times else "WRONG"
            print(f"{mark} {change.name:36} {last.right} of {times}; worse: {', '.join(last.worse) or '-'}", flush=True)
        seed += times
    command = f"python tests/campaigns/seeded_changes.py --repeat {asked.repeat} --seed {asked.seed} --write"
    lines = list(table(told, command))
    print("\n".join(lines))
    if asked.write:
        published.put("seeded changes", "Changes of a firmware, found from outside", lines)
    return 0 if all(t.right == t.runs for t in told) else 1


if __name__ == "__main__":
    raise SystemExit(main())
