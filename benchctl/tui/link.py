"""The screens' only way to a run: a worker thread performs it; events come back in batches; start, answer, stop go in.

The run's thread never waits for a screen. It puts events into a batch in which progress, provisional readings and
vital signs replace their predecessors, so that a run at full rate leaves a short list however long the screen takes.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchctl import events as ev
from benchctl.bench import Bench, Operator
from benchctl.benches import open_bench
from benchctl.errors import BenchctlError, InternalError
from benchctl.operate import Operation, Pace, Result
from benchctl.operators import PersonOperator
from benchctl.procedure.file import Procedure
from benchctl.runs.summary import Summary
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.terms import Role
from benchctl.tui.curves import Curve, curves, merged

#: bench seconds in a wall second that the speed key goes through; 0 is as fast as it goes
SPEEDS = (1.0, 10.0, 0.0)
#: shown at once, not with the next batch
_AT_ONCE = (ev.OutputsLive, ev.StopPressed, ev.BoardLost, ev.RunEnded)
#: what the modelled person does where nobody has hands or eyes on a modelled board
_BY_HAND = (ev.PromptKind.DO, ev.PromptKind.COUNT, ev.PromptKind.NUMBER)


def next_speed(speed: float) -> float:
    """What the speed key makes of a speed; one of the user's own leads to the first."""
    return SPEEDS[(SPEEDS.index(speed) + 1) % len(SPEEDS)] if speed in SPEEDS else SPEEDS[0]


#: what a bench is called whose fault is to be guessed
PRACTICE = "a practice pair"


@dataclass(frozen=True, slots=True)
class Choice:
    """What to run. seed: None takes the bench file's. person: a person answers; else, where the bench is simulated,
    the modelled one does."""

    procedure: Procedure
    bench: str
    seed: int | None = None
    labels: Mapping[Role, str] = field(default_factory=dict)
    person: bool = False
    before: Summary | None = None
    hidden: bool = False

    @property
    def bench_name(self) -> str:
        """As the screens may name the bench."""
        return PRACTICE if self.hidden else self.bench


class Batch:
    """Events waiting for the screen; of some kinds only the latest. From any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._events: dict[object, ev.Event] = {}
        self._number = itertools.count()

    def put(self, event: ev.Event) -> None:
        key = _latest_of(event)
        with self._lock:
            if key is None:
                self._events[next(self._number)] = event
            else:
                self._events.pop(key, None)
                self._events[key] = event

    def take(self) -> list[ev.Event]:
        """All that has come since the last call, in order."""
        with self._lock:
            taken, self._events = self._events, {}
        return list(taken.values())


def _latest_of(event: ev.Event) -> object:
    """What the event replaces while nobody has seen it; None: nothing."""
    if isinstance(event, ev.Progress):
        return ("progress", event.stage)
    if isinstance(event, ev.ReadingTaken) and not event.final:
        return ("reading", event.stage, event.reading.name)
    if isinstance(event, ev.BoardHealth):
        return ("health", event.role)
    return None


class Rehearsal(PersonOperator):
    """A person at a screen before a modelled bench: words and choices are theirs; the modelled person presses,
    counts and measures, since nobody can lay hands on a modelled board."""

    def __init__(
        self, modelled: Operator, on_show: Callable[[ev.Prompt], None], on_withdraw: Callable[[ev.Prompt], None]
    ):
        super().__init__(on_show, on_withdraw)
        self._modelled = modelled

    def show(self, prompt: ev.Prompt) -> None:
        if prompt.kind in _BY_HAND:
            self._modelled.show(prompt)
        else:
            super().show(prompt)

    def answer_nowait(self, prompt: ev.Prompt) -> str | None:
        if prompt.kind in _BY_HAND:
            return self._modelled.answer_nowait(prompt)
        return super().answer_nowait(prompt)

    def withdraw(self, prompt: ev.Prompt) -> None:
        if prompt.kind in _BY_HAND:
            self._modelled.withdraw(prompt)
        else:
            super().withdraw(prompt)


class RunLink:
    """One run in its own thread.

    tell: called from that thread when something must be shown at once. speed: of simulated time against real time.
    result, error: set when the thread has ended; error is the sentence of what ended or prevented the run.
    """

    def __init__(self, choice: Choice, root: Path, tell: Callable[[], None], speed: float = 1.0) -> None:
        self.choice = choice
        self.root = root
        self.batch = Batch()
        self.curves: dict[tuple[str, str], list[Curve]] = {}
        self.glimpses: dict[tuple[str, str], ev.Samples] = {}
        self.result: Result | None = None
        self.error = ""
        #: what the person took to be wrong with a practice pair, "" before that
        self.guess = ""
        self.speed = speed
        self.folder: Path | None = None
        self.person: PersonOperator | None = None
        self._tell = tell
        self._pace = Pace(speed)
        self._asked: set[int] = set()
        self._operation: Operation | None = None
        self._stopped_by = ""
        #: the latest stop and which boards it has reached
        self.stop_pressed: ev.StopPressed | None = None
        self._thread = threading.Thread(target=self._work, name="run", daemon=True)

    # ------------------------------------------------------------------ the three commands, and the pace

    def start(self) -> None:
        self._thread.start()

    def answer(self, prompt_id: int, text: str) -> None:
        """The person has answered a prompt."""
        if self.person is not None:
            self.person.give(prompt_id, text)

    def stop(self, by: str) -> ev.StopPressed:
        """Stop at once, in the calling thread. by: "key", "signal", "closed". Returns which boards were reached.

        While the bench is still being opened no board has been told anything; the run that follows ends at once.
        """
        self._stopped_by = self._stopped_by or by
        # this order: whoever makes the operation looks for a stop after it has put it in place
        operation = self._operation
        if operation is None:
            self.stop_pressed = ev.StopPressed(0.0, by)
        else:
            self.stop_pressed = operation.stop(by) if self.alive else operation.stop_pressed
        return self.stop_pressed

    def set_speed(self, speed: float) -> None:
        """From now on; while a person is asked something, time passes as real time does whatever is set."""
        self.speed = speed
        self._pace.set_speed(1.0 if self._asked else speed)

    # ------------------------------------------------------------------ state

    @property
    def alive(self) -> bool:
        """The run has not come to its end yet."""
        return self._thread.is_alive()

    @property
    def now(self) -> float:
        """Bench time, 0 while the bench is being opened."""
        operation = self._operation
        return operation.bench.now() if operation is not None else 0.0

    @property
    def secret(self) -> bool:
        """Whether the fault is still to be guessed, and so neither it nor its causes are told."""
        return self.choice.hidden and not self.guess

    @property
    def wirings(self) -> dict[Role, OwnerWiring]:
        """What the pair file says of each board; nothing while the bench is being opened."""
        operation = self._operation
        return {role: b.wiring for role, b in operation.bench.boards.items()} if operation is not None else {}

    def answers_by_person(self, prompt: ev.Prompt) -> bool:
        """Whether the screen's person answers this prompt, or somebody else does."""
        if self.person is None or not prompt.awaits_answer:
            return False
        return not (isinstance(self.person, Rehearsal) and prompt.kind in _BY_HAND)

    def join(self, seconds: float) -> bool:
        """Wait for the thread's end; whether it came."""
        if self._thread.ident is not None:
            self._thread.join(seconds)
        return not self.alive

    # ------------------------------------------------------------------ in the run's thread

    def _work(self) -> None:
        try:
            choice = self.choice
            procedure = choice.procedure
            bench = open_bench(
                choice.bench,
                seed=choice.seed,
                labels=choice.labels,
                unspoken=procedure.finds,
                unplugged=procedure.unplugged,
            )
            try:
                self.result = self._perform(bench)
                self.error = self.result.error
            finally:
                bench.close()
        except BenchctlError as e:
            self.error = str(e)
        except Exception as e:  # the screen must say so; a thread would only print it over the screen
            self.error = str(InternalError(f"{type(e).__name__}: {e}"))
        finally:
            self._thread_ends()

    def _perform(self, bench: Bench) -> Result:
        operator = self._operator(bench)
        if bench.simulated:
            bench.pacer = self._pace
        operation = Operation(self.choice.procedure, bench, self.root, operator=operator, readers=[self._read])
        self._operation, self.folder = operation, operation.folder
        if self._stopped_by:
            self.stop_pressed = operation.stop(self._stopped_by)
        return operation.perform()

    def _operator(self, bench: Bench) -> Operator | None:
        if not bench.simulated:
            self.person = PersonOperator(self._ask, self._asked_no_more)
        elif self.choice.person:
            self.person = Rehearsal(bench.operator, self._ask, self._asked_no_more)
        return self.person

    def _ask(self, prompt: ev.Prompt) -> None:
        self._asked.add(prompt.id)
        self._pace.set_speed(1.0)

    def _asked_no_more(self, prompt: ev.Prompt) -> None:
        self._asked.discard(prompt.id)
        if not self._asked:
            self._pace.set_speed(self.speed)

    def _read(self, event: ev.Event) -> None:
        if isinstance(event, ev.Samples) and event.data is not None:
            self._keep_curves(event)
            event = replace(event, data=None)
            if not event.final:
                return
        elif isinstance(event, ev.StageEnded):
            self.glimpses = {key: seen for key, seen in self.glimpses.items() if key[0] != event.stage}
        self.batch.put(event)
        if isinstance(event, _AT_ONCE):
            self._tell()

    def _keep_curves(self, event: ev.Samples) -> None:
        """A table that still grows is kept as it is: the screen draws only those of them that it comes to."""
        assert event.data is not None
        if not event.final:
            self.glimpses[event.stage, event.name] = event
            return
        self.glimpses.pop((event.stage, event.name), None)
        new = curves(event.shows, event.name, event.columns, event.units, event.data, event.picture)
        key = (event.stage, event.name)
        self.curves[key] = merged(self.curves[key], new) if key in self.curves else new

    def growing(self, stage: str) -> list[tuple[float, list[Curve]]]:
        """Tables of a stage that still grow, each with the bench time of its last row."""
        found = [g for (of, _), g in list(self.glimpses.items()) if of == stage]
        return [
            (g.t, curves(g.shows, g.name, g.columns, g.units, g.data, g.picture)) for g in found if g.data is not None
        ]

    def kept(self, stage: str) -> list[Curve]:
        """Tables of a stage that are whole: what comes nearest to its limit first, else the newest."""
        found = [curves for (of, _), curves in list(self.curves.items()) if of == stage]
        return sorted((curve for curves in reversed(found) for curve in curves), key=lambda curve: -curve.telling)

    def _thread_ends(self) -> None:
        self._tell()
