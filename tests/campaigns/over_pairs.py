"""A campaign over pairs drawn at random, as a command: one line a pair, and a table of those done by now."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import published

Outcome = TypeVar("Outcome")


def over_pairs(
    file: str,
    about: str | None,
    one: Callable[[int, str], Outcome],
    told: Callable[[Outcome], str],
    rows: Callable[[list[Outcome]], list[str]],
    title: str,
    count: int,
) -> int:
    """Run `one(seed, kind)` for every seed asked for; the table is kept after each, so that a run cut short has one.

    file, about: the command's own, with its text. title: of the table, "{kind}" in it. rows: the table's lines.
    """
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--kind", choices=("sim", "avr"), default="sim")
    parser.add_argument("--count", type=int, default=count)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    name = Path(file).stem
    command = f"python tests/campaigns/{name}.py --kind {given.kind} --count {given.count} --seed {given.seed} --write"
    outcomes: list[Outcome] = []
    for seed in range(given.seed, given.seed + given.count):
        outcomes.append(one(seed, given.kind))
        print(seed, told(outcomes[-1]), flush=True)
        done = "" if len(outcomes) == given.count else f" of the {given.count}"
        head = [f"`{command}`", "", f"{len(outcomes)}{done} pairs drawn at random, `{given.kind}`.", ""]
        lines = [*head, *rows(outcomes)]
        if given.write:
            published.put(f"{name.replace('_', ' ')} {given.kind}", title.format(kind=given.kind), lines)
    print("\n".join(lines))
    return 0
