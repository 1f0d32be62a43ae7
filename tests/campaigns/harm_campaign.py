"""What is physically wrong while procedures run: `python tests/campaigns/harm_campaign.py --help`.

Performs every shipped procedure on every shipped bench, and on benches drawn at random (`fault_benches`), on `sim` and on
`avr`, and prints each entry of the harm log. An entry is the fault's own where the bench file, or the drawn case, names
its kind under `harm`; any other makes the command end with 1.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import fault_benches as fb  # noqa: E402

from benchctl import benchfile, shipped  # noqa: E402
from benchctl.benchfile.harm_kinds import TITLES, HarmKind  # noqa: E402
from benchctl.errors import BenchctlError  # noqa: E402
from benchctl.operate import Operation  # noqa: E402
from benchctl.procedure.file import Procedure, load  # noqa: E402
from benchctl.relayed_bench import over_air  # noqa: E402

RESULTS = HERE / "results" / "harm.md"
#: minutes of bench time tell nothing here that seconds do not
SHORT = {"soak": {"seconds": 20.0}}


@dataclass
class Tally:
    """What was found. own: entries that the fault itself makes; other: entries that must not be."""

    performed: int = 0
    refused: int = 0
    own: Counter[str] = field(default_factory=Counter)
    other: list[str] = field(default_factory=list)


def perform(procedure: Procedure, spec: Any, tally: Tally, say: Any) -> None:
    """One procedure on one bench; entries go to the tally."""
    name = f"{procedure.name} on {spec.kind} {spec.name} seed {spec.seed}"
    try:
        bench: Any = open_spec(spec)
    except BenchctlError as e:
        tally.refused += 1
        say(f"{name}: not opened, {e}")
        return
    with tempfile.TemporaryDirectory() as folder:
        try:
            result = Operation(procedure, bench, Path(folder), reports=False).perform()
            verdict = str(result.verdict)
        except BenchctlError as e:
            verdict = f"refused, {e}"
            tally.refused += 1
        finally:
            bench.close()
    tally.performed += 1
    own = {HarmKind(kind) for kind in spec.harm}
    for entry in bench.harm.entries:
        if entry.kind in own:
            tally.own[f"{spec.name}: {TITLES[entry.kind]}"] += 1
        else:
            tally.other.append(f"{name}: {entry}")
    say(f"{name}: {verdict}; {len(bench.harm.entries)} entries")
    for entry in bench.harm.entries:
        say(f"    {entry}")


def open_spec(spec: Any) -> Any:
    if spec.kind == "avr":
        from benchctl.avr.bench import AvrBench

        return over_air(AvrBench(spec), spec)
    from benchctl.sim.bench import SimBench

    return over_air(SimBench(spec), spec)


def shipped_benches(names: list[str]) -> Iterator[Any]:
    for name in names or sorted(p.stem for p in (Path(shipped.__file__).parent / "data" / "benches").glob("*.toml")):
        yield benchfile.load(name)


def drawn_benches(count: int, seed: int) -> Iterator[Any]:
    """Healthy ones, and ones with one fault of each kind in turn."""
    kinds = list(fb.FAULTS)
    for n in range(count):
        rng = random.Random(seed + n)
        case = fb.healthy(rng) if n % 4 == 0 else fb.draw(rng, (kinds[n % len(kinds)],))
        yield benchfile.parse(case.toml(), f"drawn-{seed + n}").with_changes(seed=seed + n)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", nargs="*", default=["sim", "avr"], choices=("sim", "avr"))
    parser.add_argument("--procedure", nargs="*", default=sorted(shipped.procedures()))
    parser.add_argument("--bench", nargs="*", default=[], help="shipped benches by name; all unless told")
    parser.add_argument("--drawn", type=int, default=0, help="benches drawn at random, besides; bring-up only")
    parser.add_argument("--seed", type=int, default=51_000_000)
    parser.add_argument("--minutes", type=float, default=1e9, help="begin no further bench then, of each kind and procedure")
    parser.add_argument("--no-shipped", action="store_true")
    parser.add_argument("--quiet", action="store_true")
    parser.add_argument("--write", action="store_true", help=f"keep the table in {RESULTS.relative_to(HERE)}")
    args = parser.parse_args()
    say = (lambda text: None) if args.quiet else (lambda text: print(text, flush=True))
    rows = []
    failed = False
    for kind in args.kind:
        for what, specs, names in (
            ("shipped benches", [] if args.no_shipped else list(shipped_benches(args.bench)), args.procedure),
            ("drawn benches", list(drawn_benches(args.drawn, args.seed)), ["bring-up"]),
        ):
            for name in names if specs else ():
                tally, end = Tally(), time.monotonic() + 60 * args.minutes
                for spec in specs:
                    if time.monotonic() > end:
                        break
                    perform(_shortened(load(shipped.procedure(name))), spec.with_changes(kind=kind), tally, say)
                own = "; ".join(f"{k} ({n})" for k, n in tally.own.items()) or "none"
                rows.append(f"| {kind} | {name} | {what} | {tally.performed} | {len(tally.other)} | {own} |")
                failed = failed or bool(tally.other)
                for line in tally.other:
                    print(line, flush=True)
    table = "\n".join(
        [
            f"`python tests/campaigns/harm_campaign.py {' '.join(sys.argv[1:])}`\n",
            "Entries that must not be are to be none; the others are the fault's own, named in the bench file.\n",
            "| bench | procedure | on | runs | entries that must not be | the fault's own |",
            "| --- | --- | --- | --- | --- | --- |",
            *rows,
        ]
    )
    print(table)
    if args.write:
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(f"# Harm log of all procedures\n\n{table}\n", "utf-8")
    return int(failed)


def _shortened(procedure: Procedure) -> Procedure:
    steps = [replace(s, parameters={**s.parameters, **SHORT.get(s.stage.kind, {})}) for s in procedure.steps]
    return replace(procedure, steps=tuple(steps))


if __name__ == "__main__":
    sys.exit(main())
