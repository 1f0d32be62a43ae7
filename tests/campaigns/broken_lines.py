"""Pairs of strangers with one line open, bridged or swapped: a command that prints a table.

    python tests/campaigns/broken_lines.py --kind sim --count 60 --seed 1 [--write]

First `set-up` by somebody who has said nothing, then `bring-up` by the owner's own pair file, which says how the line
was meant to be. The line, of two lines one at least, has to be named by a failed stage, by a fact or by one of the first
three findings; a line that set-up finds where it really is counts as named too. Entries of the harm log are the fault's
own where they are about its lines: two outputs that are joined work against each other. Others must not be.
"""

from __future__ import annotations

import random
import re
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from over_pairs import over_pairs
from random_pairs import random_pair
from strangers import perform

from benchctl import benchfile
from benchctl.facts import WiringUnsure
from benchctl.pairfile import PairSpec
from benchctl.report.as_pair import found_pair
from benchctl.runs.summary import Summary
from benchctl.terms import Role, Verdict

_BUS = {"mosi": "PB3", "miso": "PB4", "sck": "PB5"}
_RADIO = ("miso", "mosi", "sck", "csn", "ce", "irq")
#: what people call a function of their board, in what the tool says
_CALLED = {"led": ("LED", "led_missed"), "switch1": ("switch1", "switch"), "switch2": ("switch2",), "joy_x": ("joystick", "joy_x"),
           "joy_y": ("joystick", "joy_y"), "pulse1": ("output 1", "servo"), "pulse2": ("output 2", "motor")}  # fmt: skip


@dataclass(slots=True)
class Case:
    """A fault. lines: those concerned. text: of the bench file."""

    role: Role
    kind: str
    lines: tuple[str, ...]
    text: str

    def __str__(self) -> str:
        return f"{self.role} {'+'.join(self.lines)} {self.kind}"


@dataclass(slots=True)
class Outcome:
    case: Case
    named: bool = False
    both: bool = False
    how: str = ""
    harm: list[str] = field(default_factory=list)

    def other_harm(self) -> list[str]:
        """Entries that are not about the fault's own lines."""
        mine = {f"radio_{line}" for line in self.case.lines} | {_BUS[line] for line in self.case.lines if line in _BUS}
        mine |= {f"on {line}" for line in self.case.lines}
        return [entry for entry in self.harm if not any(word in entry for word in mine)]

    verdict: Verdict | None = None


def drawn(seed: int, pair: PairSpec) -> Case:
    """One fault of a pair: any line that is wired, any board."""
    chance = random.Random(f"{seed} broken line")
    role = chance.choice((Role.HAND, Role.CRAFT))
    board, kind = pair.boards[role], chance.choice(("open", "bridged", "swapped"))
    radio = [line for line in _RADIO if line != "irq" or board.pin("radio_irq")]
    if kind != "bridged" and chance.random() < 0.4:
        others = [f for f in _CALLED if board.pin(f)]
        return _other(role, board.pins, kind, chance, others)
    if kind == "open":
        one = chance.choice(radio)
        return Case(role, kind, (one,), f"[board.{role}.radio.{one}]\nseries_ohms = 1e7\n")
    one, two = chance.sample(radio, 2)
    if kind == "bridged":
        return Case(role, kind, (one, two), f'[board.{role}.radio.{one}]\nbridged_to = "{two}"\n')
    text = f'[board.{role}.radio.{one}]\nto_line = "{two}"\n[board.{role}.radio.{two}]\nto_line = "{one}"\n'
    return Case(role, kind, (one, two), text)


def _other(role: Role, pins: object, kind: str, chance: random.Random, others: list[str]) -> Case:
    assert isinstance(pins, dict) or hasattr(pins, "__getitem__")
    if kind == "open":
        one = chance.choice(others)
        return Case(role, kind, (one,), f'[board.{role}.pins]\n{one} = "none"\n')
    one, two = chance.sample(others, 2)
    return Case(role, kind, (one, two), f'[board.{role}.pins]\n{one} = "{pins[two]}"\n{two} = "{pins[one]}"\n')


def spoken(summary: Summary, role: Role) -> list[str]:
    """What a run says of faults of that board: facts, reasons and notes of stages that did not pass, causes."""
    said = []
    for stage in summary.stages.values():
        if stage.verdict in (Verdict.FAIL, Verdict.UNDECIDED):
            said += [stage.reason, *(f.sentence() for f in stage.facts if getattr(f, "board", role) == role)]
            said += [f"{r.name}" for r in stage.readings.values() if r.verdict is Verdict.FAIL]
    said += [f"{f.title} {f.remedy}" for f in summary.findings[:3] if f.board in ("", str(role))]
    return said


def names(said: str, case: Case) -> int:
    """How many of the lines have their names in a sentence."""
    words = [[line.upper()] if line in _RADIO else list(_CALLED[line]) for line in case.lines]
    return sum(any(re.search(rf"\b{word}\b", said) for word in some) for some in words)


def one(seed: int, kind: str) -> Outcome:
    """Set up and bring up the pair of a seed with its fault."""
    truth = random_pair(seed)
    case = drawn(seed, truth)
    out = Outcome(case)
    text = f'kind = "{kind}"\nseed = {seed}\n{case.text}'
    spec = benchfile.parse(text.encode(), f"{seed}.toml", pair=truth)
    with tempfile.TemporaryDirectory() as folder:
        made, _, harm = perform("set-up", spec.unspoken(), Path(folder))
        out.harm += harm
        found = found_pair(made.summary)
        really = {**truth.boards[case.role].pins, **spec.boards[case.role].pins}
        got = found.boards[case.role].pins if found is not None and case.role in found.boards else {}
        moved = [line for line in case.lines if line in really and line not in _RADIO and case.kind == "swapped"]
        unsure = {f.key for s in made.summary.stages.values() for f in s.facts if isinstance(f, WiringUnsure)}
        if moved and all(got.get(line) == really[line] or line.startswith("pulse") for line in moved):
            out.how = "set-up finds it where it is"
        elif unsure:
            out.how = f"set-up cannot tell {', '.join(sorted(unsure))}"
        made, out.verdict, harm = perform("bring-up", replace(spec.unspoken(), pair=truth), Path(folder))
        out.harm += harm
        told = max(spoken(made.summary, case.role), key=lambda said: names(said, case), default="")
        count, found_it = names(told, case), out.how.startswith("set-up finds")
        out.named, out.both = bool(count) or found_it, count == len(case.lines) or found_it
        out.how = told if count else out.how
    return out


def told(one: Outcome) -> str:
    """A pair in a line."""
    harm = f"{one.harm[:2]} other {one.other_harm()[:2]}"
    return f"{one.case} {one.named} {one.both} {one.verdict} {harm} {one.how[:160]}"


def rows(outcomes: list[Outcome]) -> list[str]:
    """The table: by kind of fault."""
    head = ("line is", "pairs", "named", "of two both", "bring-up passes all the same", "harm of its own", "other harm")
    lines = [f"| {' | '.join(head)} |", "| --- " * len(head) + "|"]
    for what in ("open", "bridged", "swapped"):
        some = [o for o in outcomes if o.case.kind == what]
        passed = sum(o.verdict is Verdict.PASS for o in some)
        other = sum(bool(o.other_harm()) for o in some)
        row = (what, len(some), sum(o.named for o in some), sum(o.both for o in some), passed)
        cells = (*row, sum(bool(o.harm) for o in some) - other, other)
        lines.append(f"| {' | '.join(map(str, cells))} |")
    left = Counter(str(o.case) for o in outcomes if not o.named)
    return [*lines, "", "Not named: " + ("; ".join(left) or "none") + "."]


if __name__ == "__main__":
    sys.exit(over_pairs(__file__, __doc__, one, told, rows, "Pairs with one wrong line, on {kind}", 60))
