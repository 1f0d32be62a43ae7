"""The state machine that is thrown at a board: any order of requests, faults and resets, each pulse judged.

`machine(kind)` makes the class for a bench kind; tests use few examples, the campaign many.
"""

from __future__ import annotations

from collections import Counter

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import initialize, run_state_machine_as_test
from machine_around import Around
from machine_ends import Ends
from machine_requests import WRONG, Requests

from benchctl.terms import Role


class GuardMachine(Ends, Requests, Around):
    """See the module."""

    @initialize(order=st.permutations(range(11)), numbers=st.lists(st.integers(0, 99), min_size=11, max_size=11))
    def begins(self, order: list[int], numbers: list[int]) -> None:
        """With four of the long steps, so that a few examples meet all of them."""
        turned = (*range(numbers[0] % 7, 7), *range(numbers[0] % 7))
        turned4 = (*range(numbers[1] % 4, 4), *range(numbers[1] % 4))
        wrong = [w for w in WRONG if w != "late"]
        long = (
            lambda n: self.ended_in_several_ways([*turned], numbers),
            lambda n: self.ended_in_several_ways([*turned[::-1]], numbers),
            lambda n: self.wrong_answers([wrong[i] for i in turned]),
            lambda n: self.wrong_answer("late"),
            lambda n: self.servo_and_wiring([i for i in turned if i < 6], (1000, 1700, 2000)[n % 3]),
            lambda n: self.two_motors(n % 3),
            lambda n: self.droop_and_arm(3 * (n % 2)),
            lambda n: self.live_then_another_pairs_packets(1 + n),
            lambda n: self.loop_ends_while_live(n % 2),
            lambda n: self.lessons(turned4),
            lambda n: self.rewired_and_cut(n),
        )
        for which in order[:4]:
            long[which](numbers[which])

    def rewired_and_cut(self, n: int) -> None:
        """Short ones: wired anew while live, a setting, the air, a cable."""
        self.live_then_rewired()
        self.live_then_declared_otherwise(n % 2)
        self.live_then_the_air_dies(n % 2)
        self.live_then_the_cable_is_pulled(0.4)
        self.live_then_reset(211 * n, ("line", "asked", "brown-out")[n % 3])


def machine(kind: str, images: dict[Role, str] | None = None, wiring: str = "") -> type[GuardMachine]:
    """The class for a bench kind, and a craft soldered as WIRINGS has it."""
    counts = {"steps": Counter(), "changes": Counter()}
    return type(f"GuardOn{kind.title()}", (GuardMachine,), {"kind": kind, "images": images, "wiring": wiring, **counts})


def run_short(made: type[GuardMachine], examples: int = 6, steps: int = 15) -> None:
    """The same each time; what fails is not made small, which takes long: the campaign does that."""
    run_state_machine_as_test(
        made,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
            phases=(Phase.explicit, Phase.generate),
        ),
    )


def told(made: type[GuardMachine]) -> str:
    """Share of requests and waits in each state, and how often each change of state was seen."""
    total = sum(made.steps.values()) or 1
    shares = ", ".join(f"{state} {100 * n / total:.0f} %" for state, n in made.steps.most_common())
    changes = ", ".join(f"{a} to {b} {n}" for (a, b), n in made.changes.most_common())
    return f"requests and waits: {shares}\nchanges: {changes}"
