"""Performs a procedure on a bench: order, guarding of every stage, verdicts. Emits events; knows no file, no screen."""

from __future__ import annotations

import itertools
import re
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from benchctl import events as ev
from benchctl.analysis.judge import verdict_of
from benchctl.bench import Bench
from benchctl.errors import BoardError, OperatorAbsent, PortLost, Refused, Restarted, Stopped
from benchctl.procedure.file import Procedure, Step
from benchctl.safety.attesting import attest_all
from benchctl.safety.interlock import Interlock, Locked
from benchctl.stages.announce import announce, emit_health, restart_facts
from benchctl.stages.contract import Context
from benchctl.terms import Role, Verdict
from benchctl.wire.messages import Msg

#: numbers that nobody reads to their end
_DIGITS = re.compile(r"\d{10,}(\.\d+)?")


@dataclass(frozen=True, slots=True)
class Outcome:
    verdict: Verdict
    reason: str


class Runner:
    """One run of a procedure. `run()` returns the verdict of the whole; everything else is in the events.

    interlock: the run's, handed on to stages that may spin something; every unasked restart makes it lapse.
    """

    def __init__(self, procedure: Procedure, bench: Bench, emit: ev.Emit, interlock: Interlock | None = None) -> None:
        self.procedure = procedure
        self.bench = bench
        self.emit = emit
        self.interlock = interlock if interlock is not None else Interlock()
        self.verdicts: dict[str, Verdict] = {}
        self._prompts = itertools.count(1)
        self._lost: dict[Role, str] = {}
        #: stages that were not run only because a board is reached over the air
        self._not_by_air: set[str] = set()
        for role, board in bench.boards.items():
            board.on_restart = self._restart_listener(role)

    # ------------------------------------------------------------------ the whole

    def run(self) -> Verdict:
        """Perform every stage that may run, opening a board when a stage first needs it; stop everything.

        Raises Stopped when the operator stops, WrongDevice when a port belongs to something else; outputs are
        brought to idle first in any case.
        """
        try:
            for step in self.procedure.steps:
                self._one(step)
        finally:
            self.bench.stop_all()
        return self.verdict()

    def perform_also(self, step: Step) -> None:
        """One more stage after the procedure's, which leaves the verdict of the whole as it is."""
        try:
            self._one(step)
        finally:
            self.bench.stop_all()

    def verdict(self) -> Verdict:
        """fail if any stage failed; pass only if every stage that is not optional passed."""
        counted = [
            self.verdicts.get(s.name, Verdict.NOT_RUN)
            for s in self.procedure.steps
            if not (s.optional and self.verdicts.get(s.name) is Verdict.NOT_RUN)
        ]
        worst = Verdict.worst(counted)
        return Verdict.UNDECIDED if worst is Verdict.NOT_RUN else worst

    def _open_boards(self, step: Step) -> None:
        """Not before a stage needs them: until then they may have no power. A lost one gets another chance."""
        for role in step.stage.needs.roles:
            board = self.bench.boards.get(role)
            if board is None or (board.identity is not None and role not in self._lost):
                continue
            try:
                if role in self._lost:
                    self._reopen(role)
                board.open()
                if role in self._lost:
                    # it may have run on by a supply of its own
                    board.quiet()
            except (BoardError, PortLost) as e:
                self._lose(role, str(e))
                continue
            announce(board, self.emit)
            if self._lost.pop(role, None) is not None:
                label = board.identity.label if board.identity else ""
                self.emit(ev.BoardBack(self.bench.now(), role, label))

    def _reopen(self, role: Role) -> None:
        """Benches whose ports come and go look for the board again, by its label."""
        reopen = getattr(self.bench, "reopen", None)
        if reopen is not None and not reopen(role):
            raise PortLost(f"the {role} board has not come back")

    def _lose(self, role: Role, reason: str) -> None:
        self.interlock.lapse(role)
        if role not in self._lost:
            self._lost[role] = reason
            self.emit(ev.BoardLost(self.bench.now(), role, reason))

    # ------------------------------------------------------------------ one stage

    def _one(self, step: Step) -> None:
        stage, began = step.stage, self.bench.now()
        context = Context(step.name, self.bench, step.parameters, step.limits, self.emit, self._prompts, self.interlock)
        obstacle = self._too_far(step) or self._unmet(step)
        if not obstacle:
            self._open_boards(step)
            obstacle = self._no_board(step) or self._not_attested(step, context)
        if obstacle:
            outcome = Outcome(Verdict.NOT_RUN, obstacle)
        else:
            expected = stage.expected_s(step.parameters)
            self.emit(ev.StageStarted(began, step.name, stage.kind, stage.title, stage.instruction, expected))
            outcome = self._perform(step, context)
        self.verdicts[step.name] = outcome.verdict
        now = self.bench.now()
        self.emit(ev.StageEnded(now, step.name, stage.kind, outcome.verdict, outcome.reason, now - began))
        if outcome.verdict is not Verdict.NOT_RUN:
            self._check_health()

    def _too_far(self, step: Step) -> str:
        """Why a stage cannot do with the way its boards are reached, "" when it can."""
        for role in step.stage.needs.roles:
            board = self.bench.boards.get(role)
            if board is not None and board.via and step.stage.by_air:
                self._not_by_air.add(step.name)
                return f"the {role} board is reached over the air: {step.stage.by_air}"
        return ""

    def _unmet(self, step: Step) -> str:
        """Which need of a stage is not met, "" when all are."""
        for name in step.after:
            verdict = self.verdicts.get(name, Verdict.NOT_RUN)
            if name in self._not_by_air and not step.stage.spins:
                continue
            if verdict is not Verdict.PASS:
                return f"needs {name}, which is {verdict}"
        if step.stage.needs.operator and self.bench.operator.by == "none":
            return "needs an operator, and the run has none"
        return ""

    def _no_board(self, step: Step) -> str:
        """Which board a stage needs and has not, "" when all are there."""
        for role in step.stage.needs.roles:
            if role not in self.bench.boards:
                return f"needs a {role} board, and the bench has none"
            if role in self._lost and step.stage.kind != "identity":
                return f"needs the {role} board, which is lost: {self._lost[role]}"
        return ""

    def _not_attested(self, step: Step, context: Context) -> str:
        """Before anything may spin: cautions, attestations. Why not, "" when all is attested."""
        if not step.stage.spins:
            return ""
        if self.bench.operator.by == "none":
            return "needs attestations, and there is no operator"
        if "cap" in step.parameters:
            self.interlock.set_cap(float(step.parameters["cap"]) / 100)
        return attest_all(context, self.interlock)

    def _perform(self, step: Step, context: Context) -> Outcome:
        for board in self.bench.boards.values():
            board.clear_restart()
        try:
            with context.cleanup:
                try:
                    self._forget_events(step)
                    step.stage.perform(context)
                finally:
                    if step.stage.spins:
                        self.bench.stop_all()
        except Stopped:
            self._end_stopped(step)
            raise
        except Restarted as e:
            context.fail(str(e))
        except Refused as e:
            context.fail(str(e))
        except Locked as e:
            context.doubt(f"the interlock did not allow it: {e}")
        except OperatorAbsent as e:
            context.doubt(str(e))
        except PortLost as e:
            context.doubt(str(e))
            self._note_lost_ports()
        except BoardError as e:
            context.doubt(str(e))
        except (ArithmeticError, LookupError, ValueError) as e:
            self._not_worked_out(context, e)
        return outcome_of(context)

    def _not_worked_out(self, context: Context, error: Exception) -> None:
        """Answers in right frames may still be absurd: the stage is undecided, the run goes on, the place is noted."""
        said = _DIGITS.sub(lambda found: f"{float(found.group()):.3g}", str(error))
        context.doubt(f"what the boards answered cannot be worked out ({type(error).__name__}: {said})")
        frames = traceback.extract_tb(error.__traceback__)
        places = " < ".join(f"{Path(f.filename).stem}:{f.lineno}" for f in reversed(frames[-3:]))
        context.note(f"given up at {places}", "warning")

    def _forget_events(self, step: Step) -> None:
        for role in step.stage.needs.roles:
            if role not in self._lost:
                self.bench.boards[role].forget_events()

    def _end_stopped(self, step: Step) -> None:
        now = self.bench.now()
        self.verdicts[step.name] = Verdict.UNDECIDED
        reason = "stopped by the operator"
        self.emit(ev.StageEnded(now, step.name, step.stage.kind, Verdict.UNDECIDED, reason, 0.0))

    def _note_lost_ports(self) -> None:
        for role, board in self.bench.boards.items():
            try:
                board.poll()
            except PortLost as e:
                self._lose(role, str(e))

    # ------------------------------------------------------------------ health

    def _restart_listener(self, role: Role) -> Callable[[Msg, bool], None]:
        def heard(boot: Msg, asked: bool) -> None:
            self.interlock.lapse(role)
            facts = restart_facts(boot)
            self.emit(ev.BoardReset(self.bench.now(), role, self.bench.boards[role].cause, asked, facts))

        return heard

    def _check_health(self) -> None:
        """Vital signs of every board between stages; a board that does not answer is lost."""
        for role, board in self.bench.boards.items():
            if role in self._lost or board.identity is None:
                continue
            try:
                emit_health(board, self.emit)
            except Restarted:
                board.clear_restart()
            except (BoardError, PortLost) as e:
                self._lose(role, str(e))


def outcome_of(context: Context) -> Outcome:
    """A stage's verdict and reason, from what it said and from its judged readings; failures come first."""
    verdict, reason = verdict_of(context.readings.values())
    if not context.readings and not context.failures and not context.doubts:
        return Outcome(Verdict.UNDECIDED, "no reading was taken")
    failed = context.failures + ([reason] if verdict is Verdict.FAIL else [])
    if failed:
        return Outcome(Verdict.FAIL, "; ".join(failed))
    doubts = context.doubts + ([reason] if verdict is Verdict.UNDECIDED and context.readings else [])
    if doubts:
        return Outcome(Verdict.UNDECIDED, "; ".join(doubts))
    return Outcome(Verdict.PASS, "")
