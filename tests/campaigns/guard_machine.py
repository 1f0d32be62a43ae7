"""Random interleavings against a board for long: `guard_machine.py [sim|avr] [EXAMPLES] [STEPS] [SEED]`.

Each example is a fresh pair and so many random requests, faults, resets; every pulse on the motor pin is judged.
Prints a table at the end; a violation is printed with its steps and ends it.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "safety_proof"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import always_watched
from guard_machine import machine, told
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import run_state_machine_as_test


def main(kind: str = "avr", examples: str = "200", steps: str = "50", first: str = "1") -> None:
    always_watched.install()
    made = machine(kind)
    made.patient = True
    began = time.monotonic()
    run_state_machine_as_test(
        seed(int(first))(made),
        settings=settings(
            max_examples=int(examples),
            stateful_step_count=int(steps),
            deadline=None,
            database=None,
            phases=(Phase.generate,),
            suppress_health_check=list(HealthCheck),
        ),
    )
    print(f"{'bench':<8}{'examples':>9}{'most steps':>11}{'bench s':>9}{'pulses':>9}{'above idle':>11}{'wall s':>8}")
    print(f"{kind:<8}{made.examples:>9}{steps:>11}{made.bench_s:>9.0f}{made.seen:>9}{made.above:>11}"
          f"{time.monotonic() - began:>8.0f}")  # fmt: skip
    print(told(made))
    print("no pulse was above idle without its conditions")


if __name__ == "__main__":
    main(*sys.argv[1:])
