"""What a stage is: its declaration as data, and `perform`, plain synchronous code over a bench.

A stage asks boards, waits in bench time, takes readings and emits events, through the `Context` it is handed.
It knows no screen, no file and no report. To add one: a file with a `Stage`, a line in `kinds.py`, a test.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.judge import judge
from benchctl.bench import Bench
from benchctl.errors import BoardError, InternalError, NoAnswer, OperatorAbsent, PortLost, Refused, Restarted
from benchctl.facts import Fact, fact_of
from benchctl.safety.interlock import Interlock
from benchctl.session.board import Board
from benchctl.terms import Interval, Limit, Reading, Role, Source, Verdict, split_subject

Value = int | float | str | bool
#: rows of a table that is only shown while it grows
_GLIMPSE = 500
#: a table that is called by its name
_PLAIN = ev.Picture()


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter of a stage kind with its default; the procedure file can set it.

    unit: as in `units`, for people. low, high: bounds of numbers. choices: of words.
    """

    name: str
    default: Value
    doc: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadingSpec:
    """A reading that a stage kind takes.

    name: without the "hand." or "hand_to_craft." in front of readings taken per board or direction.
    label: what people call it, a few words that stand alone beside a board's name.
    about: one sentence: what it is and why it matters, a usual value, where that or the limit is from.
    limit: default limit; the procedure can set it by this name, or by the full name for one board.
    better: which way is better, for comparisons: "lower", "higher", "nearer" (to the reference) or "same".
    margin: how much worse still counts as the same; with "%" in margin_of it is relative to the reference.
    """

    name: str
    unit: str
    label: str
    limit: Limit | None = None
    better: str = "lower"
    margin: float = 10.0
    margin_of: str = "%"
    about: str = ""


@dataclass(frozen=True, slots=True)
class Needs:
    """What must be there before a stage may run.

    roles: boards. passed: stage kinds that must have passed before it in the same run, where the procedure has
    them. required: kinds that must be in the procedure and have passed. operator: somebody must be there.
    wired: what must be declared of a board, see `OwnerWiring.lacks`.
    """

    roles: tuple[Role, ...] = ()
    passed: tuple[str, ...] = ()
    required: tuple[str, ...] = ()
    operator: bool = False
    wired: tuple[tuple[Role, str], ...] = ()


#: what every stage needs that sends something
RADIO_LINES = tuple((role, line) for role in (Role.HAND, Role.CRAFT) for line in ("radio_csn", "radio_ce"))


class Context:
    """A running stage's hands: boards, parameters, and the ways to say what was found."""

    def __init__(
        self,
        stage: str,
        bench: Bench,
        parameters: Mapping[str, Value],
        limits: Mapping[str, Limit | None],
        emit: ev.Emit,
        prompt_ids: Iterator[int] | None = None,
        interlock: Interlock | None = None,
        declared: Stage | None = None,
    ) -> None:
        self.stage = stage
        self.declared = declared
        self.bench = bench
        self.parameters = parameters
        self.limits = limits
        self.emit = emit
        self.readings: dict[str, Reading] = {}
        self.failures: list[str] = []
        self.doubts: list[str] = []
        #: boards that did not answer, or whose port went away, in a part of the stage
        self.silent: set[Role] = set()
        self._examined: list[Role] = []
        #: undone in reverse when the stage ends, however it ends
        self.cleanup = ExitStack()
        #: the run's, for stages that may spin something
        self.interlock = interlock if interlock is not None else Interlock()
        self._prompt_ids = prompt_ids if prompt_ids is not None else itertools.count(1)

    # ------------------------------------------------------------------ the bench

    def now(self) -> float:
        """Bench time, s."""
        return self.bench.now()

    def wait(self, seconds: float) -> None:
        """Let bench time pass. Raises Stopped."""
        self.bench.wait(seconds)

    def board(self, role: Role) -> Board:
        """The board of a role, which the stage's needs have asked for."""
        return self.bench.boards[role]

    def number(self, name: str) -> float:
        """A numeric parameter."""
        return float(self.parameters[name])

    def count(self, name: str) -> int:
        """A whole-number parameter."""
        return int(self.parameters[name])

    def word(self, name: str) -> str:
        """A text parameter."""
        return str(self.parameters[name])

    # ------------------------------------------------------------------ what was found

    def read(
        self,
        name: str,
        value: float,
        unit: str = "",
        n: int = 1,
        interval: Interval | None = None,
        source: Source = Source.NONE,
        floor: float | None = None,
        note: str = "",
        *,
        final: bool = True,
        verdict: Verdict | None = None,
        limited: bool = True,
    ) -> Reading:
        """Take a reading, judge it against its limit, tell everybody. verdict: overrules, e.g. a sequential test.
        limited: False where this board's wiring makes the limit meaningless, so that the reading only informs.
        """
        measure = self.declared.measure(name) if self.declared is not None else None
        label = measure.label if measure is not None else ""
        reading = Reading(name, float(value), unit, n, interval, source, floor, note, label=label)
        limit = self.limit_of(name) if limited else None
        reading = judge(reading, limit) if verdict is None else reading.judged(limit, verdict)
        self.readings[name] = reading
        self.emit(ev.ReadingTaken(self.now(), self.stage, reading, final))
        return reading

    def limit_of(self, name: str) -> Limit | None:
        """The limit of a reading: by its full name, else by the part after the first dot."""
        if name in self.limits:
            return self.limits[name]
        return self.limits.get(split_subject(name)[1])

    def establish(self, fact: Fact) -> str:
        """Record a fact; returns its sentence."""
        self.emit(ev.FactFound(self.now(), self.stage, fact))
        return fact.sentence()

    def fail(self, reason: str | Fact) -> None:
        """Something is wrong that no reading's limit says: a fact, or one sentence; said once."""
        text = self.establish(reason) if isinstance(reason, Fact) else reason
        if text not in self.failures:
            self.failures.append(text)

    def fail_by(self, error: BoardError) -> None:
        """What the board did to a request fails the stage."""
        if (fact := fact_of(error)) is not None:
            self.establish(fact)
        self.fail(str(error))

    def doubt(self, reason: str | Fact) -> None:
        """The stage cannot be decided, for this reason."""
        text = self.establish(reason) if isinstance(reason, Fact) else reason
        if text not in self.doubts:
            self.doubts.append(text)

    def doubt_by(self, error: BoardError) -> None:
        """What the board did to a request, or did not do, leaves the stage undecided."""
        if (fact := fact_of(error)) is not None:
            self.establish(fact)
        self.doubt(str(error))

    @contextmanager
    def tolerating(self, board: Board) -> Iterator[None]:
        """A part of the stage about one board; what happens to that board keeps no other part from being made.

        A restart or a refusal fails the stage; no answer, or a lost port, leaves it undecided. Of parts within parts
        of one board the outermost ends with the answers.
        """
        outermost = board.role not in self._examined
        self._examined.append(board.role)
        try:
            yield
        except (Restarted, Refused) as e:
            self.fail_by(e)
            board.clear_restart()
            board.forget_events()
        except (NoAnswer, PortLost) as e:
            if not outermost:
                raise
            if isinstance(e, NoAnswer):
                self.doubt_by(e)
            else:
                self.doubt(str(e))
            self.silent.add(board.role)
        finally:
            self._examined.pop()

    def note(self, told: str | Fact, level: str = "info") -> None:
        """Tell a sentence, or the sentence of a fact. level: "info", "warning", "caution", "drawing"."""
        text = self.establish(told) if isinstance(told, Fact) else told
        self.emit(ev.Note(self.now(), self.stage, text, level))

    def progress(self, done: float, total: float, text: str = "") -> None:
        """How far the stage has come, in whatever unit."""
        self.emit(ev.Progress(self.now(), self.stage, done, total, text))

    def samples(
        self,
        name: str,
        shows: str,
        columns: Mapping[str, str],
        data: npt.NDArray[np.float64],
        picture: ev.Picture = _PLAIN,
    ) -> None:
        """Keep a table of raw measurements; columns: name to unit, one per column of data."""
        self._tell_table(name, shows, columns, data, picture, True)

    def picture(self, title: str, of: str = "", **limits: str) -> ev.Picture:
        """How a table is shown. limits: by column, the reading whose limit its values are judged by."""
        found = {column.replace("_", " "): self.limit_of(reading) for column, reading in limits.items()}
        return ev.Picture(title, of, {column: limit for column, limit in found.items() if limit is not None})

    def glimpse(
        self,
        name: str,
        shows: str,
        columns: Mapping[str, str],
        rows: Sequence[Sequence[float]],
        picture: ev.Picture = _PLAIN,
    ) -> None:
        """Show what there is of a table by now, for live plots; it is not kept. Of very many rows only some."""
        if rows:
            some = rows[:: math.ceil(len(rows) / _GLIMPSE)]
            self._tell_table(name, shows, columns, np.array(some, np.float64), picture, False)

    def _tell_table(
        self,
        name: str,
        shows: str,
        columns: Mapping[str, str],
        data: npt.NDArray[np.float64],
        picture: ev.Picture,
        final: bool,
    ) -> None:
        table = np.asarray(data, dtype=np.float64).reshape(-1, len(columns))
        names, units = tuple(columns), tuple(columns.values())
        self.emit(ev.Samples(self.now(), self.stage, name, shows, names, units, len(table), "", table, final, picture))

    # ------------------------------------------------------------------ the operator

    def prompt(self, kind: ev.PromptKind, text: str, action: str, **more: Any) -> ev.Prompt:
        """Show a prompt; `answer` or `withdraw` it later."""
        prompt = ev.Prompt(self.now(), self.stage, next(self._prompt_ids), kind, text, action, **more)
        self.bench.operator.show(prompt)  # first: whoever reads it can answer it
        self.emit(prompt)
        return prompt

    def answer(self, prompt: ev.Prompt, meanwhile: Callable[[], object] | None = None, step_s: float = 0.05) -> str:
        """Wait for the answer. meanwhile: called every step. Raises OperatorAbsent when none comes in time,
        InternalError where nobody could give one."""
        operator, deadline = self.bench.operator, self.now() + prompt.timeout_s
        if not prompt.awaits_answer and self.now() < prompt.t + prompt.timeout_s:
            raise InternalError(f"stage {self.stage} waits for words at a prompt that takes none: {prompt.text}")
        try:
            while True:
                text = operator.answer_nowait(prompt)
                if text is not None:
                    self.emit(ev.Answer(self.now(), self.stage, prompt.id, text, operator.by))
                    return text
                if self.now() >= deadline:
                    raise OperatorAbsent(f"nobody answered within {prompt.timeout_s:g} s: {prompt.text}")
                if meanwhile is not None:
                    meanwhile()
                self.bench.wait(step_s)
        except OperatorAbsent:
            self.emit(ev.Answer(self.now(), self.stage, prompt.id, "", operator.by, False))
            raise
        finally:
            operator.withdraw(prompt)

    def ask(self, kind: ev.PromptKind, text: str, action: str, **more: Any) -> str:
        """Prompt and wait for the answer; what is to be done, until the person says that it is.

        Raises OperatorAbsent when no answer comes in time, and when what was to be done was not.
        """
        if kind is not ev.PromptKind.DO:
            return self.answer(self.prompt(kind, text, action, **more))
        said = self.answer(self.prompt(kind, text, action, choices=(ev.DONE, ev.NOT_DONE), **more))
        if said.strip().casefold() != ev.DONE:
            raise OperatorAbsent(f"it was not done: {text}")
        return said

    def done(self, prompt: ev.Prompt) -> None:
        """A "do" prompt has been done, as the board measured."""
        self.bench.operator.withdraw(prompt)
        self.emit(ev.Answer(self.now(), self.stage, prompt.id, "done", "measured"))


@dataclass(frozen=True, slots=True)
class Stage:
    """One kind of stage, declared as data.

    instruction: what the person at the bench should know or do, one or two sentences.
    expected_s: typical bench seconds, from the parameters. spins: something may move that can hurt. swings: servos
    are moved over their range, which wants the motors' battery unplugged.
    """

    kind: str
    title: str
    instruction: str
    needs: Needs
    perform: Callable[[Context], None]
    parameters: tuple[Parameter, ...] = ()
    measures: tuple[ReadingSpec, ...] = ()
    expected_s: Callable[[Mapping[str, Value]], float] = field(default=lambda _: 5.0)
    spins: bool = False
    #: its facts are lines of a pair file, and nothing is taken for known that no pair file has said
    finds: bool = False
    #: what it fails may not be given power: no later stage runs then, not even one that runs regardless
    before_power: bool = False
    swings: bool = False
    #: why the stage cannot do with a board that is reached over the air, "" when it can
    by_air: str = "this stage needs a cable to it"

    def defaults(self) -> dict[str, Value]:
        """The parameters' default values."""
        return {p.name: p.default for p in self.parameters}

    def default_limits(self) -> dict[str, Limit | None]:
        """The readings' default limits."""
        return {m.name: m.limit for m in self.measures}

    def about(self) -> dict[str, str]:
        """One sentence on each reading that has one, by its name."""
        return {m.name: m.about for m in self.measures if m.about}

    def measure(self, reading: str) -> ReadingSpec | None:
        """The declaration behind a reading's full name."""
        by_name = {m.name: m for m in self.measures}
        return by_name.get(reading) or by_name.get(split_subject(reading)[1])
