"""One run: bench, procedure, run folder and readers put together; start, answer, stop.

The only place besides `ports/` that knows the machine's clock: it dates runs and paces simulated benches.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from benchctl import __version__
from benchctl import events as ev
from benchctl.bench import Bench, Operator
from benchctl.errors import BenchctlError, InternalError, Stopped
from benchctl.facts import PairKept, PairReplaced
from benchctl.pairfile import PairSpec, load, own
from benchctl.procedure.file import Procedure
from benchctl.procedure.runner import Runner
from benchctl.runs.folder import RunFolder, run_name
from benchctl.runs.log import RunLog
from benchctl.runs.summary import Summary
from benchctl.safety.interlock import Interlock
from benchctl.session.port import Reach
from benchctl.terms import Verdict

#: in the run's folder, what a search for the wiring has found
PAIR_FILE = "pair.toml"
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
        self._reach = Reach()
        self.wall = _utc()
        self.name = folder.name if folder is not None else run_name(self.wall, procedure.name, secrets.token_hex(4))
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

    def stop(self, by: str) -> ev.StopPressed:
        """Bring everything to idle now and end the run. by: "key", "signal", "closed", "error".

        Never waits for a board, a line or the run's thread. Returns what became of it so far.
        """
        # the flags before the bytes: no request of the run's thread can leave behind the stop
        self._stopped_by = self._stopped_by or by
        self.bench.halted = True
        self.interlock.stop()
        self._reach |= self.bench.stop_all()
        return self.stop_pressed

    @property
    def stop_pressed(self) -> ev.StopPressed:
        """The stop, and which boards it has reached so far."""
        reach = self._reach
        missed = tuple(str(role) for role in reach.missed)
        return ev.StopPressed(self.bench.now(), self._stopped_by, tuple(map(str, reach.reached)), missed)

    # ------------------------------------------------------------------ in the run's thread

    def perform(self) -> Result:
        """Run to the end; outputs are idle, the log is whole and the folder sealed whatever happens.

        An exception of ours becomes the result's error; anything else is raised again after the clean-up.
        """
        error, verdict, code = "", Verdict.UNDECIDED, 3
        try:
            self._begin()
            runner = Runner(self.procedure, self.bench, self._emit, self.interlock, _flash)
            verdict = runner.run()
            self._hunt_if_useful(runner)
            code = verdict.exit_code
        except Stopped:
            error = "stopped by the operator"
            self._stopped_by = self._stopped_by or "signal"
            trouble = self._end(verdict)
        except BenchctlError as e:
            error, code = str(e), e.exit_code
            trouble = self._end(verdict, error)
        except BaseException as e:
            self._stopped_by = self._stopped_by or "error"
            self._end(Verdict.UNDECIDED)
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
                {str(role): b.wiring.label for role, b in bench.boards.items() if b.wiring.label},
                _zone_min(),
            )
        )
        for text in bench.notes:
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

    def _end(self, verdict: Verdict, error: str = "") -> Exception | None:
        """Outputs idle, log closed, reports, seal: each is tried, whatever became of those before it.

        error: told before the run's last event. Returns the first thing that went wrong.
        """
        now = self.bench.now
        steps: list[Callable[[], object]] = [
            self._stop_outputs,
            *([lambda: self._log(self.stop_pressed)] if self._stopped_by else []),
            self._tell_idle,
            *([lambda: self._log(ev.Note(now(), "", error, "warning"))] if error else []),
            self._find_causes,
            self._keep_pair,
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

    def _stop_outputs(self) -> None:
        self._reach |= self.bench.stop_all()

    def _tell_idle(self) -> None:
        """After a stop nobody waits for the boards' word; who was not reached has gone idle by itself."""
        if self.summary.live is None:
            return
        if self._reach.missed and not self.bench.simulated:
            time.sleep(ev.IDLE_ALONE_S)
        how = "told to, or by their own keep-alive" if self._reach.missed else "told to"
        self._log(ev.OutputsLive(self.bench.now(), self.summary.live.stage, False, f"outputs idle: {how}"))

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

    def _keep_pair(self) -> None:
        """What a search for the wiring has found by now, as a pair file: in the run's folder, and where the boards are
        real in the user's folder of pairs: there it takes the place of the pair that the run went by, or of one that
        the owner said it is to replace, and of no other."""
        from benchctl.pairfile.writing import as_toml
        from benchctl.report.as_pair import found_pair

        pair = found_pair(self.summary)
        if pair is None:
            return
        (self.folder / PAIR_FILE).write_text(as_toml(pair), "utf-8")
        where = str(self.folder / PAIR_FILE) if self.bench.simulated else self._kept(pair)
        fact = PairKept(where)
        self._log(ev.FactFound(self.bench.now(), "", fact))
        self._log(ev.Note(self.bench.now(), "", fact.sentence(), "info"))

    def _kept(self, found: PairSpec) -> str:
        """Where in the user's folder of pairs. What the run went by and did not look at stays as it was."""
        from benchctl.pairfile.keeping import keep

        told = [f.pair for stage in self.summary.stages.values() for f in stage.facts if isinstance(f, PairReplaced)]
        gone_by = {board.wiring.pair for board in self.bench.boards.values()} & set(own())
        for name in told[:1]:
            return keep(found, name)
        for name in gone_by:
            before = load(name)
            return keep(replace(before, boards={**before.boards, **found.boards}), name)
        return keep(found)

    def _write_reports(self) -> None:
        """Not when the log had to be given up: what little room there is belongs to the record."""
        from benchctl.report.write import write_reports

        if self.reports and not self._log.failure:
            write_reports(self.folder, self.summary)

    def _seal(self) -> None:
        if not self._log.failure:
            self._folder.seal()


def _flash(port: str, progress: Callable[[str, float], None]) -> str:
    """Put the probe firmware on a board; what was done. Raises as `flash.flash_probe`."""
    from benchctl.flash import flash_probe

    done = flash_probe(port, progress=progress)
    return f"{port}: programmed at {done.speed} Bd, image {done.image_crc}"


def _zone_min() -> int:
    ahead = datetime.now().astimezone().utcoffset()
    return round(ahead.total_seconds() / 60) if ahead is not None else 0


def _utc() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
