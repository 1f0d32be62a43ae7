"""Kill the host at random moments of the throttle ramp: `kill_ramp.py [TIMES] [SEED]`, fifty times by default.

The firmware runs on the avr bench, served over a pseudo-terminal; times are the bench's, on the motor pin.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "safety_proof"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from killing import ON_THE_WAY_S, PROMISED_S, kills


def main(times: int = 50, seed: int = 1) -> None:
    done = kills(times, seed)
    limit = 1e3 * (PROMISED_S + ON_THE_WAY_S)
    print(f"{'kill':>4}{'pulse before, us':>18}{'pulses above idle after':>25}{'idle after, ms':>16}")
    for n, kill in enumerate(done, 1):
        print(f"{n:>4}{kill.throttle_us:>18.1f}{kill.pulses_after:>25}{1e3 * kill.idle_after:>16.1f}")
    after = sorted(1e3 * k.idle_after for k in done)
    print(f"{len(done)} kills: least {after[0]:.1f}, median {after[len(after) // 2]:.1f}, most {after[-1]:.1f} ms")
    print(f"limit {limit:.0f} ms: {1e3 * PROMISED_S:.0f} promised, {1e3 * ON_THE_WAY_S:.0f} for what was on its way")
    late = sum(a > limit for a in after)
    print(f"later than the limit: {late}")
    sys.exit(late > 0)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
