"""Which defects of the firmware the random state machine finds by itself: `machine_notices.py [WORD] [--keep FILE] [--write]`.

Every firmware defect of the suite's list is built into the image, and the machine does its short run on it, without any
hand-written scenario. WORD: only defects with that in their name. With a kept file it goes on where it ended; --seconds
ends it after so much of the processor's time.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "safety_proof"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import always_watched
from guard_machine import machine, run_short
from hypothesis.errors import Flaky
from seeded import FIRMWARE, build

from benchctl.terms import Role
from tests.campaigns import published

GOAL = 0.80


def notices(name: str) -> str:
    """What the machine says of that defect, "" when it sees nothing wrong."""
    defect = next(d for d in FIRMWARE if d.name == name)
    made = machine("avr", {Role.CRAFT: str(build(defect))}, defect.wiring)
    try:
        run_short(made)
    except AssertionError as e:
        return " ".join(str(e).splitlines()[0].split())[:90] or "an assertion"
    except Flaky:
        return "fails, and otherwise when it is repeated"
    finally:
        always_watched.forget()
    return ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("word", nargs="?", default="")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="go on from what this file says")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so much of the processor's time")
    parser.add_argument("--write", action="store_true", help="write the outcome into tests/campaigns/results")
    arguments = parser.parse_args()
    always_watched.install()
    kept = arguments.keep
    found: dict[str, str] = json.loads(kept.read_text()) if kept is not None and kept.exists() else {}
    chosen = [d.name for d in FIRMWARE if arguments.word in d.name]
    for name in chosen:
        if name in found:
            continue
        if time.process_time() > arguments.seconds:
            break
        found[name] = notices(name)
        print(f"{name:<70}{found[name] or 'NOTHING'}", flush=True)
        if kept is not None:
            kept.write_text(json.dumps(found))
    tried = [name for name in chosen if name in found]
    seen = sum(bool(found[name]) for name in tried)
    share = seen / len(tried) if tried else 0.0
    lines = ["`python tests/campaigns/machine_notices.py --write`", "",
             f"{len(chosen)} defects, {len(tried)} tried, {seen} noticed: {100 * share:.0f} % (goal {100 * GOAL:.0f} %).", "",
             "| defect | what the random state machine saw |", "| --- | --- |",
             *[f"| {name} | {found[name].replace('|', '/') or 'nothing'} |" for name in tried]]  # fmt: skip
    print("\n".join(lines))
    if arguments.write:
        published.put("machine-notices", "Defects that the random state machine finds by itself", lines)
    sys.exit(share < GOAL)


if __name__ == "__main__":
    main()
