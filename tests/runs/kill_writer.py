"""A process that records a run without end, for tests that kill it: `kill_writer.py FOLDER`.

After every event that must survive, it says on standard output how many events are on record, then goes on.
"""

from __future__ import annotations

import itertools
import sys
import time
from pathlib import Path

import numpy as np

from benchctl import events as ev
from benchctl.runs.folder import RunFolder
from benchctl.runs.log import DURABLE, RunLog
from benchctl.terms import Reading, Verdict


def main(path: Path) -> None:
    count = 0

    def told(event: ev.Event) -> None:
        nonlocal count
        count += 1
        if isinstance(event, DURABLE):
            print(count, flush=True)

    with RunFolder.create(path), RunLog(path, time.monotonic) as log:
        log.add_reader(told)
        plan = (ev.StagePlan("s0", "soak", "Soak"),)
        log(ev.RunStarted(0.0, path.name, "2026-03-14T10:15:30Z", "0", "soak", "", "sim", "sim", "", True, 1, "", plan))
        for i in itertools.count():
            stage, t = f"s{i}", float(i)
            log(ev.StageStarted(t, stage, "soak", "Soak", "", 1.0))
            for j in range(5):
                table = np.full((1000, 2), i * 10.0 + j)
                log(ev.Samples(t, stage, "packets", "packets", ("t", "x"), ("s", ""), 1000, "", table))
                log(ev.ReadingTaken(t, stage, Reading(f"r{j}", t + j, "V", note="µ" * j)))
            log(ev.StageEnded(t, stage, "soak", Verdict.PASS, "", 1.0))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
