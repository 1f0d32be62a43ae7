"""One run: bench, procedure, run folder and readers put together; start, answer, stop.

The only place besides `ports/` that knows the machine's clock: it dates runs and paces simulated benches.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from benchctl import __version__
from benchctl import events as ev
from benchctl.bench import Bench, Operator
from benchctl.errors import BenchctlError, InternalError, Stopped
from benchctl.procedure.file import Procedure
from benchctl.procedure.runner import Runner
from benchctl.runs.folder import RunFolder, run_name
from benchctl.runs.log import RunLog
from benchctl.runs.summary import Summary
from benchctl.safety.interlock import Interlock
from benchctl.terms import Verdict

Reader = Callable[[ev.Event], None]
#: wall seconds slept at most in one go while pacing, so that a stop is seen soon
_NAP_S = 0.05


def default_root() -> Path:
    """Where runs are kept unless told: as the user prefers, else the platform's usual place for a user's data."""
    from platformdirs import user_data_path

    from benchctl import preferences

    return preferences.load().runs or user_data_path("benchctl", appauthor=False) / "runs"


class Pace:
    """Makes simulated time pass no faster than `speed` times real time; speed 0 is as fast as it goes."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._bench: float | None = None
        self._wall = 0.0

    def __call__(self, bench_now: float) -> None:
        """Called by simulated benches as their time advances."""
        if self.speed <= 0:
            self._bench = None
            return
        wall = time.monotonic()
        if self._bench is None:
            self._bench, self._wall = bench_now, wall
            return
        ahead = (bench_now - self._bench) / self.speed - (wall - self._wall)
        if ahead > 0:
            time.sleep(min(ahead, _NAP_S))
        elif ahead < -1.0:
            # the machine was slower than real time: do not rush to catch up
            self._bench, self._wall = bench_now, wall

    def set_speed(self, speed: float) -> None:
        self.speed, self._bench = speed, None


@dataclass(slots=True)
class Result:
    """How a run ended. error: the sentence of what ended it early, "" otherwise."""

    verdict: Verdict
    folder: Path
    summary: Summary
    exit_code: int
    error: str = ""


class Operation:
    """A run that can be performed once, in whichever thread calls `perform`, and stopped from any other."""

    def __init__(
        self,
        procedure: Procedure,
        bench: Bench,
        root: Path,
        *,
        operator: Operator | None = None,
        readers: Iterable[Reader] = (),
        folder: Path | None = None,
        hunt: bool = False,
        reports: bool = True,
    ) -> None:
        """hunt: add the load hunt where it would tell causes apart. reports: write them beside the record at the end;
        they can be made from it at any time.
        """
        if operator is not None:
            bench.operator = operator
        self.procedure = procedure
        self.bench = bench
        self.hunt = hunt
        self.reports = reports
        self.summary = Summary()
        self.interlock = Interlock()
        self._stopped_by = ""
        self._lock = threading.RLock()
        self.wall = _utc()
        self.name = folder.name if folder is not None else run_name(self.wall, procedure.name, secrets.token_hex(2))
        self._folder = RunFolder.create(folder if folder is not None else root / self.name)
        self.folder = self._folder.path
        try:
            self._log = RunLog(self.folder, time.monotonic)
        except BaseException:
            self._folder.close()
            raise
        self._log.add_reader(self.summary.fold)
        for reader in readers:
            self._log.add_reader(reader)

    # ------------------------------------------------------------------ from any thread

    def stop(self, by: str) -> None:
        """Bring everything to idle now and end the run. by: "key", "signal", "closed", "error"."""
        with self._lock:
            first = not self._stopped_by
            self._stopped_by = self._stopped_by or by
        # the outputs first; the run's thread learns of it by the flag
        self.bench.stop_all()
        self.interlock.stop()
        if first:
            self.bench.halted = True

    # ------------------------------------------------------------------ in the run's thread

    def perform(self) -> Result:
        """Run to the end; outputs are idle, the log is whole and the folder sealed whatever happens.

        An exception of ours becomes the result's error; anything else is raised again after the clean-up.
        """
        error, verdict, code = "", Verdict.UNDECIDED, 3
        try:
            self._begin()
            runner = Runner(self.procedure, self.bench, self._emit, self.interlock)
            verdict = runner.run()
            self._hunt_if_useful(runner)
            code = verdict.exit_code
        except Stopped:
            error = "stopped by the operator"
            trouble = self._end(verdict, ev.StopPressed(self.bench.now(), self._stopped_by or "signal"))
        except BenchctlError as e:
            error, code = str(e), e.exit_code
            trouble = self._end(verdict, ev.Note(self.bench.now(), "", error, "warning"))
        except BaseException as e:
            self._end(Verdict.UNDECIDED, ev.StopPressed(self.bench.now(), "error"))
            if isinstance(e, Exception):
                raise InternalError(f"{type(e).__name__}: {e}") from e
            raise
        else:
            trouble = self._end(verdict)
        if trouble is not None and not isinstance(trouble, BenchctlError):
            raise InternalError(f"{type(trouble).__name__}: {trouble}") from trouble
        if trouble is not None and not error:
            error, code = str(trouble), 3
        return Result(verdict, self.folder, self.summary, code, error)

    def _begin(self) -> None:
        bench, procedure = self.bench, self.procedure
        self._log(
            ev.RunStarted(
                bench.now(),
                self.name,
                self.wall,
                __version__,
                procedure.name,
                procedure.sha256,
                bench.name,
                bench.kind,
                bench.sha256,
                bench.simulated,
                bench.seed,
                bench.operator.by,
                procedure.plan(),
                procedure.roles(),
                bench.images,
                {str(role): b.declared.label for role, b in bench.boards.items() if b.declared.label},
            )
        )
        for text in getattr(bench, "notes", ()):  # what a real bench has found out about its ports
            self._log(ev.Note(bench.now(), "", text, "info"))

    def _emit(self, event: ev.Event) -> None:
        """To the log; after a stage also what the run points to by then, while further stages may change it."""
        self._log(event)
        ended = isinstance(event, ev.StageEnded) and event.verdict is not Verdict.NOT_RUN
        if ended and any(s.verdict is None for s in self.summary.stages.values()):
            self._find_so_far()

    def _find_so_far(self) -> None:
        """Some milliseconds, between two stages: nothing is measured or live then, and ports are read by threads of
        their own."""
        from benchctl.findings import find

        try:
            found = find(self.summary)
        except (ArithmeticError, LookupError, ValueError) as e:
            self._log(
                ev.Note(self.bench.now(), "", f"causes could not be weighed ({type(e).__name__}: {e})", "warning")
            )
            return
        for finding in found:
            self._log(replace(finding, final=False))

    def _end(self, verdict: Verdict, last_word: ev.Event | None = None) -> Exception | None:
        """Outputs idle, log closed, reports, seal: each is tried, whatever became of those before it.

        last_word: told before the run's last event. Returns the first thing that went wrong.
        """
        now = self.bench.now
        steps: list[Callable[[], object]] = [
            self.bench.stop_all,
            *([] if last_word is None else [lambda: self._log(last_word)]),
            self._find_causes,
            lambda: self._log(ev.RunEnded(now(), verdict, now(), _utc())),
            self._log.close,
            self._write_reports,
            self._seal,
            self._folder.close,
        ]
        troubles: list[Exception] = []
        for step in steps:
            try:
                step()
            except Exception as e:
                troubles.append(e)
        return troubles[0] if troubles else None

    def _hunt_if_useful(self, runner: Runner) -> None:
        """The load hunt, where it was asked for, spins nothing, and would tell the leading causes apart."""
        if not self.hunt:
            return
        from benchctl.findings import wants_hunt
        from benchctl.procedure.file import single_step

        step = single_step("load_hunt")
        if not step.stage.spins and wants_hunt(self.summary):
            runner.perform_also(step)

    def _find_causes(self) -> None:
        """Findings are made from the log alone, before the run's last event."""
        from benchctl.findings import find

        for finding in find(self.summary):
            self._log(finding)

    def _write_reports(self) -> None:
        """Not when the log had to be given up: what little room there is belongs to the record."""
        from benchctl.report.write import write_reports

        if self.reports and not self._log.failure:
            write_reports(self.folder, self.summary)

    def _seal(self) -> None:
        if not self._log.failure:
            self._folder.seal()


def _utc() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
