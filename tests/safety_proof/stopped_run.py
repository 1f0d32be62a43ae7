"""A run of the throttle ramp in real time, as the command line makes it, to be stopped by a signal from outside.

`stopped_run.py FOLDER`: says "turning" once the motor turns, and at the end one JSON line: how it ended, and when.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "stages"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from motor_run import motor_procedure, operation

from benchctl import events as ev
from benchctl.operate import Pace
from benchctl.signals import on_signals
from benchctl.terms import Role


def main(folder: str) -> None:
    def heard(event: ev.Event) -> None:
        if isinstance(event, ev.Progress) and event.stage == "throttle_ramp":
            print("turning", file=sys.stderr, flush=True)

    procedure = motor_procedure(("throttle_ramp",), throttle_ramp={"step": 5.0, "hold_seconds": 1.5})
    run = operation(Path(folder), procedure=procedure, readers=[heard])
    bench: Any = run.bench
    pace = Pace(0.0)
    bench.pacer = pace
    run._log.add_reader(lambda event: pace.set_speed(2.0) if isinstance(event, ev.OutputsLive) else None)
    stopped: list[tuple[str, float]] = []

    def stop(by: str) -> None:
        stopped.append((by, bench.now()))
        run.stop(by)

    on_signals(stop)
    result = run.perform()
    bench.close()
    esc = bench.world.boards[Role.CRAFT].escs["pulse2"]
    told = {"error": result.error, "stopped": stopped, "last": esc.above_idle[-1][0], "exit": result.exit_code}
    (Path(folder) / "told.json").write_text(json.dumps({**told, "width": esc.last_width_us}))


if __name__ == "__main__":
    main(sys.argv[1])
