"""A soak of 24 simulated hours with 30 restarts and 5 unplugs: `long_life.py [HOURS] [RESETS] [UNPLUGS] [SEED]
[--write]`.

Restarts are of every cause (reset line, brown-out, hanging program). Prints what was found beside what was done, the
process's memory over the run and the size of the record, and, with --write, writes it into results; stops with a failed check
where they differ.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "robust"))

from long_soak import soak

from benchctl.runs.log import read
from tests.campaigns import published


def main(hours: float = 24.0, resets: int = 30, unplugs: int = 5, seed: int = 1, *, write: bool = False) -> None:
    began, said = time.monotonic(), list[str]()

    def say(text: str) -> None:
        said.append(text)
        print(text)

    with tempfile.TemporaryDirectory() as folder:
        result, truth, world = soak(3600 * hours, resets, unplugs, Path(folder), seed)
        wall = time.monotonic() - began
        log = read(result.folder)
        size = (result.folder / "events.jsonl").stat().st_size
    assert log.complete, log.missing
    stage = result.summary.stages["soak"]
    say(f"{hours:g} simulated hours, seed {seed}, in {wall:.0f} s; {stage.verdict}; "
          + ", ".join(f"{n} {k}" for k, n in Counter(truth.kinds).items()))  # fmt: skip
    for role in truth.restarts:
        counted, away = (round(stage.readings[f"{role}.{n}"].value) for n in ("resets", "absences"))
        error, ppm = stage.readings[f"{role}.clock_error"], world.boards[role].spec.oscillator.ppm
        say(f"{role:<6} restarts {counted} of {truth.restarts[role]}, out of reach {away} of {truth.unplugs[role]}, "
              f"clock {error.text()} {error.note}; true {ppm:g} ppm")  # fmt: skip
        assert counted == truth.restarts[role]
        assert away >= truth.unplugs[role]
        assert error.interval is not None
        assert error.interval.low <= ppm <= error.interval.high
    early, late = truth.megabytes[len(truth.megabytes) // 8], truth.megabytes[-1]
    say(f"memory {truth.megabytes[0]:.0f} MB at the start, {early:.0f} after an eighth, {late:.0f} at the end; "
          f"record {size / 1e6:.1f} MB, {len(log.events)} events, whole")  # fmt: skip
    assert late < early + 30
    assert size < 1e6 * (2 + 2 * hours)
    if write:
        command = f"`python tests/campaigns/long_life.py {hours:g} {resets} {unplugs} {seed} --write`"
        published.put("long life", "A long life", [command, "", *("- " + " ".join(text.split()) for text in said)])


if __name__ == "__main__":
    numbers = [a for a in sys.argv[1:] if a != "--write"]
    main(*map(float, numbers[:1]), *map(int, numbers[1:]), write="--write" in sys.argv)
