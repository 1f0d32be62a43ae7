"""Set-up, then bring-up, of pairs that nobody here has seen; a command that prints a table.

    python tests/campaigns/strangers.py --kind sim --count 200 --seed 1 [--write]

Of every wired function: found rightly, found wrongly, or not known. The harm log has to stay empty.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from over_pairs import over_pairs
from random_pairs import random_pair

from benchctl import benchfile, shipped
from benchctl.avr.bench import AvrBench
from benchctl.benchfile import BenchSpec
from benchctl.operate import Operation
from benchctl.pairfile import PairSpec
from benchctl.procedure.file import load
from benchctl.report.as_pair import found_pair
from benchctl.sim.bench import SimBench
from benchctl.terms import Role, Verdict

#: functions that the search is to name; measuring jumpers are asked for later
_ASKED = ("led", "switch1", "switch2", "joy_x", "joy_y", "radio_ce", "radio_csn", "radio_irq", "sense_rail")


@dataclass(slots=True)
class Outcome:
    """Of one pair. wrong, unknown: functions. harm: entries of the harm log."""

    seed: int
    right: int = 0
    wrong: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    harm: list[str] = field(default_factory=list)
    bring_up: Verdict | None = None
    reasons: list[str] = field(default_factory=list)


def perform(procedure: str, spec: BenchSpec, folder: Path) -> tuple[Operation, Verdict, list[str]]:
    """Run a shipped procedure on the bench; the operation, its verdict, and what is in the harm log."""
    bench = SimBench(spec) if spec.kind == "sim" else AvrBench(spec)
    try:
        made = Operation(load(shipped.procedure(procedure)), bench, folder, reports=False)
        result = made.perform()
        return made, result.verdict, [str(entry) for entry in bench.harm.entries]
    finally:
        bench.close()


def compare(truth: PairSpec, found: PairSpec | None, out: Outcome) -> None:
    """Count functions found rightly, wrongly, not at all; pulse outputs by pin and by what they drive."""
    for role, board in truth.boards.items():
        got = found.boards.get(role) if found is not None else None
        for function in _ASKED:
            pin = board.pin(function)
            said = got.pin(function) if got is not None else ""
            if said and said != pin:
                out.wrong.append(f"{role}.{function}")
            elif pin and not said:
                out.unknown.append(f"{role}.{function}")
            elif pin:
                out.right += 1
        if role is Role.CRAFT:
            wanted = {board.pin(n): one.drives for n, one in board.output.items()}
            have = {got.pin(n): one.drives for n, one in got.output.items()} if got is not None else {}
            for port, drives in wanted.items():
                if port not in have:
                    out.unknown.append(f"{role}.{port}")
                elif have[port] != drives:
                    out.wrong.append(f"{role}.{port}")
                else:
                    out.right += 1


def one(seed: int, kind: str, *, then: str = "bring-up") -> Outcome:
    """Set up the pair of a seed and, where something was found, bring it up by what was found."""
    truth, out = random_pair(seed), Outcome(seed)
    spec = benchfile.parse(f'kind = "{kind}"\nseed = {seed}\n'.encode(), f"{seed}.toml", pair=truth)
    with tempfile.TemporaryDirectory() as folder:
        made, _, harm = perform("set-up", spec.unspoken(), Path(folder))
        found = found_pair(made.summary)
        compare(truth, found, out)
        out.harm += harm
        if then and found is not None:
            made, out.bring_up, harm = perform(then, replace(spec.unspoken(), pair=found), Path(folder))
            out.harm += harm
            ended = made.summary.stages.values()
            out.reasons = [f"{s.name} {s.verdict}: {s.reason}" for s in ended if s.verdict is not Verdict.PASS]
    return out


def told(one: Outcome) -> str:
    """A pair in a line."""
    return f"{one.bring_up} wrong {one.wrong} unknown {one.unknown} harm {one.harm[:3]} {one.reasons[:6]}"


def rows(outcomes: list[Outcome]) -> list[str]:
    """The table."""
    right = sum(o.right for o in outcomes)
    wrong, unknown = sum(len(o.wrong) for o in outcomes), sum(len(o.unknown) for o in outcomes)
    functions = right + wrong + unknown
    passed = sum(o.bring_up is Verdict.PASS for o in outcomes)
    verdicts = Counter(str(o.bring_up) for o in outcomes)
    harmed = sum(bool(o.harm) for o in outcomes)
    cells = [
        ("functions named rightly", "", f"{right} of {functions}"),
        ("named wrongly", "0", str(wrong)),
        ("not known", "at most 2 %", f"{unknown} ({100 * unknown / max(1, functions):.1f} %)"),
        ("pairs with an entry in the harm log", "0", str(harmed)),
        ("bring-up passes by what was found", "all", f"{passed} of {len(outcomes)}"),
        ("its verdicts", "", ", ".join(f"{n} {v}" for v, n in verdicts.most_common())),
    ]
    return ["| what | goal | found |", "| --- | --- | --- |", *(f"| {a} | {b} | {c} |" for a, b, c in cells)]


if __name__ == "__main__":
    sys.exit(over_pairs(__file__, __doc__, one, told, rows, "Pairs of strangers, set up and brought up on {kind}", 20))
