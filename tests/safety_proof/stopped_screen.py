"""A run of the throttle ramp on the run screen, in real time, to be stopped by a key or a signal from outside.

`stopped_screen.py FOLDER`: makes the file `turning` once the motor turns, and at the run's end `told.json`: how it was
stopped, when in bench time, when the motor's last pulse above idle was, and which boards were told.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "stages"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from helpers_outputs import PAIR
from motor_run import motor_procedure

from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.preferences import Preferences
from benchctl.terms import Role
from benchctl.tui import app
from benchctl.tui.app import BenchApp, run_app
from benchctl.tui.link import Choice, RunLink


class Watched(BenchApp):
    """Starts the run by itself, and has its stop and its end written down."""

    CSS_PATH = Path(app.__file__).with_name("benchctl.tcss")

    def __init__(self, folder: Path) -> None:
        super().__init__(root=folder / "runs", look=list, kept=Preferences(), file=None)
        self.folder = folder
        self.stops: list[tuple[str, float]] = []
        self.made: Operation | None = None

    def on_mount(self) -> None:
        procedure = motor_procedure(("throttle_ramp",), throttle_ramp={"step": 5.0, "hold_seconds": 30.0})
        self.start_run(Choice(procedure, PAIR, 3), speed=0.0)
        assert self.link is not None
        threading.Thread(target=self.watch, args=(self.link,), daemon=True).start()

    def watch(self, link: RunLink) -> None:
        while link._operation is None:
            time.sleep(0.005)
        self.made = run = link._operation
        bench: Any = run.bench
        esc = bench.world.boards[Role.CRAFT].escs["pulse2"]
        stop = run.stop

        def noted(by: str) -> ev.StopPressed:
            self.stops.append((by, bench.now()))
            return stop(by)

        run.stop = noted  # type: ignore[method-assign]
        run._log.add_reader(lambda e: link._pace.set_speed(2.0) if isinstance(e, ev.OutputsLive) else None)
        while not esc.above_idle:
            time.sleep(0.005)
        (self.folder / "turning").touch()
        while link.alive:
            time.sleep(0.005)
        pressed = run.stop_pressed
        told = {"stopped": self.stops, "last": esc.above_idle[-1][0], "width": esc.last_width_us, "error": link.error,
                "reached": sorted(pressed.reached)}  # fmt: skip
        part = self.folder / "told.part"
        part.write_text(json.dumps(told))
        part.rename(self.folder / "told.json")


if __name__ == "__main__":
    sys.exit(run_app(Watched(Path(sys.argv[1]))))
