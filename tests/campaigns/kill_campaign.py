"""Kill a recording process at many random moments and read every record back: `kill_campaign.py [TIMES] [SEED] [--write]`.

Prints one line at the end, and, with --write, writes it into results; stops with a failed check at the first record that is not
as promised.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "runs"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from test_killed import kills

from tests.campaigns import published


def main(times: int = 200, seed: int = 1, *, write: bool = False) -> None:
    with tempfile.TemporaryDirectory() as root:
        whole = kills(times, random.Random(seed), Path(root))
    found = f"{times} kills, every record opened; {sum(whole)} stages had ended and were whole (least in one run: {min(whole)})"
    print(found)
    if write:
        command = f"`python tests/campaigns/kill_campaign.py {times} {seed} --write`"
        published.put("kills", "Records of killed runs", [command, "", f"{found}."])


if __name__ == "__main__":
    main(*map(int, filter(str.isdecimal, sys.argv[1:])), write="--write" in sys.argv)
