"""Feed the firmware millions of bytes that must not arm it: `arming_fuzz.py [MILLIONS] [SEED]`, ten by default.

A quarter goes to each generator. Prints a table; stops at the first pulse above idle or the first sign of being armed.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "safety_proof"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fuzz_feed import GENERATORS, feed

from benchctl.wire.catalogue import GuardState, name_of


def main(millions: float = 10.0, seed: int = 1) -> None:
    share = round(millions * 1e6 / len(GENERATORS))
    head = ("generator", "bytes", "answers", "refusals", "challenges", "pulses", "widest us", "resets", "highest state",
            "bench s", "wall s")  # fmt: skip
    print("{:<22}{:>10}{:>9}{:>10}{:>12}{:>9}{:>11}{:>8}{:>15}{:>9}{:>8}".format(*head), flush=True)
    total = 0
    for name in GENERATORS:
        began = time.monotonic()
        f = feed(name, share, seed)
        total += f.bytes_fed
        print(f"{name:<22}{f.bytes_fed:>10}{f.frames:>9}{f.refused:>10}{f.challenges:>12}{f.pulses:>9}{f.widest_us:>11.1f}"
              f"{f.resets:>8}{name_of(GuardState, f.highest_state):>15}{f.bench_s:>9.0f}"
              f"{time.monotonic() - began:>8.0f}", flush=True)  # fmt: skip
    print(f"{total} bytes; never armed, no pulse above idle")


if __name__ == "__main__":
    main(*map(float, sys.argv[1:2]), *map(int, sys.argv[2:3]))
