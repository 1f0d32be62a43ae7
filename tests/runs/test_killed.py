"""A recording process killed at a random moment: what was told to be on record is there, ended stages are whole.

`tests/campaigns/kill_campaign.py` does the same 200 times.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from benchctl.runs.folder import RunFolder, being_written
from benchctl.runs.log import read
from benchctl.runs.summary import RunState, summarise
from benchctl.runs.tables import Tables
from benchctl.terms import Verdict

HERE = Path(__file__).parent


def record_and_kill(folder: Path, vouched: int, after_s: float) -> int:
    """Start the writer, kill it `after_s` after it has vouched for so many events; the last count it vouched for."""
    env = {**os.environ, "PYTHONPATH": str(HERE.parents[1])}
    call = [sys.executable, str(HERE / "kill_writer.py"), str(folder)]
    with subprocess.Popen(call, env=env, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        while int(process.stdout.readline()) < vouched:
            pass
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().decode()
    counts = [int(line) for line in rest.splitlines(keepends=True) if line.endswith("\n")]
    return max(counts, default=0)


def check(folder: Path, vouched: int) -> int:
    """The folder opens, says what is missing, and every stage that had ended is whole. Returns how many had."""
    found = read(folder)
    assert len(found.events) >= vouched
    assert not found.complete
    assert "the record stops before the run's end" in found.missing
    assert "damaged" not in found.missing
    assert "rows" not in found.missing
    summary = summarise(found.events, found.missing)
    assert summary.state is RunState.ABORTED
    load, ended = Tables(folder), 0
    for i, stage in enumerate(summary.stages.values()):
        if stage.verdict is None:
            continue
        ended += 1
        assert stage.verdict is Verdict.PASS
        assert [r.value for r in stage.readings.values()] == [float(i + j) for j in range(5)]
        table = load(stage.tables["packets"])
        np.testing.assert_array_equal(table[::1000, 0], [i * 10.0 + j for j in range(5)])
        assert len(table) == 5000
    assert not being_written(folder)
    return ended


def kills(times: int, chance: random.Random, root: Path) -> list[int]:
    """For each of so many killed runs how many stages had ended and were whole; from the first events to the 250th."""
    whole = []
    for i in range(times):
        folder = root / str(i)
        whole.append(check(folder, record_and_kill(folder, chance.randint(1, 250), chance.uniform(0.0, 0.005))))
    return whole


def test_a_few_kills(tmp_path: Path) -> None:
    """Twelve events a stage: the moments are not all at the very beginning."""
    assert sum(kills(6, random.Random(20), tmp_path)) > 20


def test_a_killed_run_is_not_written_on(tmp_path: Path) -> None:
    record_and_kill(tmp_path / "run", 20, 0.0)
    refused = ""
    try:
        RunFolder.create(tmp_path / "run")
    except ValueError as e:
        refused = str(e)

    assert "holds a run already" in refused
