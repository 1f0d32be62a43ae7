"""Kill a recording process at many random moments and read every record back: `kill_campaign.py [TIMES] [SEED] [--write]`.

Prints one line at the end, and writes it into DEVELOPERS.md; stops with a failed check at the first record that is not
as promised.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "runs"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from test_killed import check, record_and_kill

from tests.campaigns import published


def main(times: int = 200, seed: int = 1, *, write: bool = False) -> None:
    chance, ended, least = random.Random(seed), 0, sys.maxsize
    with tempfile.TemporaryDirectory() as root:
        for i in range(times):
            folder = Path(root) / str(i)
            whole = check(folder, record_and_kill(folder, chance.uniform(0.0, 0.3)))
            ended, least = ended + whole, min(least, whole)
    found = f"{times} kills, every record opened; {ended} stages had ended and were whole (least in one run: {least})"
    print(found)
    if write:
        command = f"`python tests/campaigns/kill_campaign.py {times} {seed} --write`"
        published.put("kills", "Records of killed runs", [command, "", f"{found}."])


if __name__ == "__main__":
    main(*map(int, filter(str.isdecimal, sys.argv[1:])), write="--write" in sys.argv)
