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
from benchctl.errors import BoardError, OperatorAbsent, PortLost, Refused, Restarted, Stopped, UsageError
from benchctl.facts import fact_of
from benchctl.procedure.file import Procedure, Step
from benchctl.procedure.plug_in import Flash, PlugIn
from benchctl.safety.attestation import USUAL_CAP
from benchctl.safety.attesting import attest_all, attest_off
from benchctl.safety.gate import Gate, HeldInterlock
from benchctl.safety.interlock import Interlock, Locked
from benchctl.stages.announce import announce, emit_health, restart_facts
from benchctl.stages.contract import Context
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import PulseKind

#: a board works out its image's CRC in so long after a start
IMAGE_S = 3.0
#: numbers that nobody reads to their end
_DIGITS = re.compile(r"\d{10,}(\.\d+)?")


@dataclass(frozen=True, slots=True)
class StageOutcome:
    verdict: Verdict
    reason: str


class Runner:
    """One run of a procedure. `run()` returns the verdict of the whole; everything else is in the events.

    interlock: the run's, handed on to stages that may spin something; every unasked restart makes it lapse. flash:
    puts the probe firmware on a board, where a person agrees.
    """

    def __init__(
        self,
        procedure: Procedure,
        bench: Bench,
        emit: ev.Emit,
        interlock: Interlock | None = None,
        flash: Flash | None = None,
    ) -> None:
        self.procedure = procedure
        self.bench = bench
        self._emit = emit
        self._live = False
        self.interlock = interlock if interlock is not None else Interlock()
        self.verdicts: dict[str, Verdict] = {}
        #: of each stage so far, the boards that it was about: label and image
        self._judged: dict[str, dict[Role, tuple[str, str]]] = {}
        self._prompts = itertools.count(1)
        self._asker = PlugIn(bench, flash)
        self._lost: dict[Role, str] = {}
        #: stages that were not run only because a board is reached over the air
        self._not_by_air: set[str] = set()
        for role, board in bench.boards.items():
            board.on_restart = self._restart_listener(role)

    def emit(self, event: ev.Event) -> None:
        """To whoever reads the run; outputs that are said to be live are remembered."""
        if isinstance(event, ev.OutputsLive):
            self._live = event.live
        self._emit(event)

    # ------------------------------------------------------------------ the whole

    def run(self) -> Verdict:
        """Perform every stage that may run, opening a board when a stage first needs it; stop everything.

        Raises Stopped when the operator stops, WrongDevice when a port belongs to something else; outputs are
        brought to idle first in any case.
        """
        try:
            for step in self.procedure.steps:
                self._run_step(step)
        finally:
            self.bench.stop_all()
        return self.verdict()

    def perform_also(self, step: Step) -> None:
        """One more stage after the procedure's, which leaves the verdict of the whole as it is."""
        try:
            self._run_step(step)
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

    def _open_boards(self, step: Step, context: Context) -> None:
        """Not before a stage needs them: until then they may have no power. A lost one gets another chance, and one
        that is not there is asked for."""
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
                if not (isinstance(e, PortLost) and self._asker.plugged_in(board, context, role in self._lost)):
                    self._lose(role, e)
                    continue
            announce(board, self.emit)
            if self._lost.pop(role, None) is not None:
                label = board.identity.label if board.identity else ""
                self.emit(ev.BoardBack(self.bench.now(), role, label))

    def _reopen(self, role: Role) -> None:
        if not self.bench.reopen(role):
            raise PortLost(f"the {role} board has not come back")

    def _lose(self, role: Role, error: BoardError | PortLost) -> None:
        self.interlock.lapse(role)
        if role in self._lost:
            return
        self._lost[role] = str(error)
        if isinstance(error, BoardError) and (fact := fact_of(error)) is not None:
            self.emit(ev.FactFound(self.bench.now(), "", fact))
        self.emit(ev.BoardLost(self.bench.now(), role, str(error)))

    # ------------------------------------------------------------------ one stage

    def _run_step(self, step: Step) -> None:
        stage, began = step.stage, self.bench.now()
        context = Context(
            step.name, self.bench, step.parameters, step.limits, self.emit, self._prompts, self.interlock, stage
        )
        if step.own:
            context.interlock = HeldInterlock(self.interlock)
        obstacle = self._too_far(step) or self._unmet(step)
        if not obstacle:
            self._open_boards(step, context)
            obstacle = (
                self._no_board(step)
                or self._not_wired(step)
                or self._outdated(step)
                or self._not_attested(step, context)
            )
        if obstacle:
            outcome = StageOutcome(Verdict.NOT_RUN, obstacle)
        else:
            expected = stage.expected_s(step.parameters)
            self.emit(ev.StageStarted(began, step.name, stage.kind, step.title, stage.instruction, expected))
            outcome = self._perform(step, context, began)
        self.verdicts[step.name] = outcome.verdict
        self._judged[step.name] = {role: self._who(role) for role in stage.needs.roles if role in self.bench.boards}
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
        """Which need of a stage is not met, "" when all are. What failed unpowered is never given power."""
        for earlier in self.procedure.steps:
            if earlier.stage.before_power and self.verdicts.get(earlier.name) is Verdict.FAIL:
                return f"nothing is powered after {self._title(earlier.name)} has failed"
        for name in step.after:
            verdict = self.verdicts.get(name, Verdict.NOT_RUN)
            if name in self._not_by_air and not step.stage.spins:
                continue
            if verdict is not Verdict.PASS:
                return f"needs {self._title(name)}, which {_ENDED[verdict]}"
        if step.stage.needs.operator and self.bench.operator.by == "none":
            return "needs an operator, and the run has none"
        return ""

    def _title(self, name: str) -> str:
        return next((s.title for s in self.procedure.steps if s.name == name), name)

    def _outdated(self, step: Step) -> str:
        """Which need was met by another board, or by another image on it, "" when none was.

        Before anything may spin, every board is asked anew who it is.
        """
        try:
            for role in step.stage.needs.roles if step.stage.spins else ():
                if not self._asked_anew(role):
                    return f"needs to know the {role} board's image, which it does not tell"
        except (BoardError, PortLost) as e:
            self._lose(role, e)
            return f"needs the {role} board, which is lost: {self._lost[role]}"
        for name in step.after:
            for role, (label, image) in self._judged.get(name, {}).items():
                label_now, image_now = self._who(role)
                if label != label_now or (image and image_now and image != image_now):
                    since = f"the {role} board is another one since, or has another image"
                    return f"needs {self._title(name)} again: {since}"
        return ""

    def _who(self, role: Role) -> tuple[str, str]:
        """Label and image of a board as it last said them, "" for what it has not said."""
        who = self.bench.boards[role].identity
        return (who.label, who.image_crc) if who is not None else ("", "")

    def _asked_anew(self, role: Role) -> bool:
        """Have a board say who it is; whether it knows its image, which takes it a moment after a start."""
        deadline = self.bench.now() + IMAGE_S
        while not self.bench.boards[role].identify().image_crc:
            if self.bench.now() >= deadline:
                return False
            self.bench.wait(0.1)
        return True

    def _no_board(self, step: Step) -> str:
        """Which board a stage needs and has not, "" when all are there."""
        for role in step.stage.needs.roles:
            if role not in self.bench.boards:
                return f"needs a {role} board, and the bench has none"
            if role in self._lost and step.stage.kind != "identity":
                return f"needs the {role} board, which is lost: {self._lost[role]}"
        return ""

    def _not_wired(self, step: Step) -> str:
        """What a stage needs to be declared of a board and is not, "" when all is."""
        needed = ((r, what) for r, what in step.stage.needs.wired if r in self.bench.boards)
        lacking = (self.bench.boards[role].wiring.lacks(role, what) for role, what in needed)
        return next(filter(None, lacking), "")

    def _not_attested(self, step: Step, context: Context) -> str:
        """Before anything may spin or swing: cautions, attestations. Why not, "" when all is attested."""
        swings = step.stage.swings and (self._has_servo() or Role.GAUGE in step.stage.needs.roles)
        if not step.stage.spins and not swings:
            return ""
        if self.bench.operator.by == "none":
            return "needs attestations, and there is no operator"
        if swings:
            return attest_off(context, self.interlock)
        # each stage has its own, so that none goes by that of one before it
        self.interlock.set_cap(float(step.parameters.get("cap", 100 * USUAL_CAP)) / 100)
        return attest_all(context, self.interlock)

    def _has_servo(self) -> bool:
        return any(PulseKind.SERVO in board.wiring.pulse_kinds for board in self.bench.boards.values())

    def _perform(self, step: Step, context: Context, began: float) -> StageOutcome:
        for board in self.bench.boards.values():
            board.clear_restart()
        try:
            with context.cleanup:
                try:
                    self._forget_events(step)
                    self._gate(step)
                    step.stage.perform(context)
                    if context.silent:
                        self._note_lost_ports()
                finally:
                    if step.stage.spins or step.own:
                        self.bench.stop_all()
        except Stopped:
            self._end_stopped(step, began)
            raise
        except (Restarted, Refused) as e:
            context.fail_by(e)
        except Locked as e:
            if self.bench.halted:  # the stop reaches the interlock before it reaches a wait
                self._end_stopped(step, began)
                raise Stopped("stopped by the operator") from e
            context.doubt(f"the interlock did not allow it: {e}")
        except OperatorAbsent as e:
            context.doubt(str(e))
        except PortLost as e:
            context.doubt(str(e))
            self._note_lost_ports()
        except BoardError as e:
            context.doubt_by(e)
        except UsageError as e:
            context.doubt(f"what was measured cannot be worked out: {e}")
        except (ArithmeticError, LookupError, ValueError) as e:
            self._not_worked_out(context, e, step)
        except Exception as e:
            if not step.own:
                raise
            self._not_worked_out(context, e, step)
        finally:
            for board in self.bench.boards.values():
                board.gate = None
        self._wait_for_idle(step)
        return outcome_of(context)

    def _gate(self, step: Step) -> None:
        """A stage of one's own asks boards through a gate."""
        if step.own:
            stage = step.stage
            for role, board in self.bench.boards.items():
                board.gate = Gate(role, self.interlock, spins=stage.spins, moves=stage.swings)

    def _wait_for_idle(self, step: Step) -> None:
        """A stage that ended before a board said that it is idle: its keep-alive is waited out."""
        if self._live:
            self.bench.wait(ev.IDLE_ALONE_S)
            text = "outputs idle: told to, and no longer asked for"
            self.emit(ev.OutputsLive(self.bench.now(), step.name, False, text))

    def _not_worked_out(self, context: Context, error: Exception, step: Step) -> None:
        """Answers in right frames may be absurd, or the code wrong: the stage is undecided, the place is noted."""
        said = _DIGITS.sub(lambda found: f"{float(found.group()):.3g}", str(error))
        whose = "of the stage, which is none of benchctl's" if step.own else "of benchctl, please report it"
        context.doubt(
            f"what the boards answered cannot be worked out ({type(error).__name__}: {said}); where the boards are "
            f"healthy this is a fault {whose}"
        )
        frames = traceback.extract_tb(error.__traceback__)
        places = " < ".join(f"{Path(f.filename).stem}:{f.lineno}" for f in reversed(frames[-3:]))
        context.note(f"given up at {places}", "warning")

    def _forget_events(self, step: Step) -> None:
        for role in step.stage.needs.roles:
            if role not in self._lost:
                self.bench.boards[role].forget_events()

    def _end_stopped(self, step: Step, began: float) -> None:
        now = self.bench.now()
        self.verdicts[step.name] = Verdict.UNDECIDED
        reason = "stopped by the operator"
        self.emit(ev.StageEnded(now, step.name, step.stage.kind, Verdict.UNDECIDED, reason, now - began))

    def _note_lost_ports(self) -> None:
        for role, board in self.bench.boards.items():
            try:
                board.poll()
            except PortLost as e:
                self._lose(role, e)

    # ------------------------------------------------------------------ health

    def _restart_listener(self, role: Role) -> Callable[[msg.Boot, bool], None]:
        def heard(boot: msg.Boot, asked: bool) -> None:
            self.interlock.lapse(role, asked=asked)
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
                self._lose(role, e)


_ENDED = {Verdict.FAIL: "failed", Verdict.UNDECIDED: "is undecided", Verdict.NOT_RUN: "was not run"}


def outcome_of(context: Context) -> StageOutcome:
    """A stage's verdict and reason, from what it said and from its judged readings; failures come first."""
    verdict, reason = verdict_of(context.readings.values())
    if not context.readings and not context.failures and not context.doubts:
        return StageOutcome(Verdict.UNDECIDED, "no reading was taken")
    failed = context.failures + ([reason] if verdict is Verdict.FAIL else [])
    if failed:
        return StageOutcome(Verdict.FAIL, "; ".join(failed))
    doubts = context.doubts + ([reason] if verdict is Verdict.UNDECIDED and context.readings else [])
    if doubts:
        return StageOutcome(Verdict.UNDECIDED, "; ".join(doubts))
    return StageOutcome(Verdict.PASS, "")
