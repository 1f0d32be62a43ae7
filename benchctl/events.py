"""The typed events of a run: the one vocabulary between stages, log and readers.

An event is a frozen value. `t` is bench time in seconds from the start of the run; on simulated benches it is
simulated time. Everything that a screen, a report, a comparison or a diagnosis shows comes from these and
nothing else. `event_json` writes and reads them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from benchctl.facts import Fact
from benchctl.terms import Limit, Reading, Role, Verdict


class PromptKind(StrEnum):
    """How a prompt is answered."""

    COUNT = "count"  # a number the operator counted: blinks, beeps
    WORD = "word"  # a word shown once, typed back
    NUMBER = "number"  # a meter value, in `unit`
    CHOICE = "choice"  # one of `choices`
    TEXT = "text"  # a text of one's own: a pin, a name
    DO = "do"  # something to do: the board measures that it was done, or with `choices` the person says so


#: how a person answers what no board can measure
DONE, NOT_DONE = "done", "stop here"


@dataclass(frozen=True, slots=True)
class Event:
    """Base of all: t is bench time in seconds since the run began."""

    t: float


@dataclass(frozen=True, slots=True)
class Picture:
    """How people are shown a table.

    title: what it shows, "" where its name must do. of: whose it is, where several share a
    plot: "hand", "hand_to_craft". limits: what columns must satisfy, each in its column's unit.
    """

    title: str = ""
    of: str = ""
    limits: Mapping[str, Limit] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StagePlan:
    """One line of the plan, as known before the run: name, kind, title and the stages it needs.

    margins: for comparisons, by reading: "margin", "relative" (in % of the reference) and "better" ("lower",
    "higher" or "same"). about: one sentence on each reading, for people.
    """

    name: str
    kind: str
    title: str
    needs: tuple[str, ...] = ()
    margins: Mapping[str, Mapping[str, float | bool | str]] = field(default_factory=dict)
    about: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RunStarted(Event):
    """First event of every run. wall: UTC, ISO 8601. simulated: nothing here is real.

    images: of boards whose firmware was given for this bench, by role: "file" (its name) and "sha256".
    labels: of the bench's boards by role, as declared; a board with firmware of somebody else's says none itself.
    zone_min: local time less UTC where the run was made, minutes; None in records of before.
    """

    run: str
    wall: str
    version: str
    procedure: str
    procedure_sha256: str
    bench: str
    bench_kind: str
    bench_sha256: str
    simulated: bool
    seed: int
    operator: str
    plan: tuple[StagePlan, ...]
    expected_boards: tuple[Role, ...] = ()
    images: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    zone_min: int | None = None


@dataclass(frozen=True, slots=True)
class BoardSeen(Event):
    """A board has identified itself. image_crc: eight hex digits. via: role it is reached through, or ""."""

    role: Role
    label: str
    firmware: str
    image_crc: str
    protocol: int
    clock_hz: int
    port: str
    boots: int
    via: str = ""


@dataclass(frozen=True, slots=True)
class BoardReset(Event):
    """A board has restarted. asked: we made it restart. facts: forensics as key, value pairs for people."""

    role: Role
    cause: str
    asked: bool
    facts: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BoardLost(Event):
    role: Role
    reason: str


@dataclass(frozen=True, slots=True)
class BoardBack(Event):
    role: Role
    label: str


@dataclass(frozen=True, slots=True)
class BoardHealth(Event):
    """Cheap vital signs, about once a second. vcc in volts; NaN where unknown."""

    role: Role
    vcc: float
    frames: int
    damaged: int
    lost_events: int


@dataclass(frozen=True, slots=True)
class StageStarted(Event):
    stage: str
    kind: str
    title: str
    instruction: str
    expected_s: float


@dataclass(frozen=True, slots=True)
class Progress(Event):
    """done of total, in any unit; total 0 means "not known"."""

    stage: str
    done: float
    total: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class ReadingTaken(Event):
    """A reading; final=False while it is still being refined (the last one of a name counts)."""

    stage: str
    reading: Reading
    final: bool = True


@dataclass(frozen=True, slots=True)
class Samples(Event):
    """A table of raw measurements: packets, waveforms, edges, scans.

    columns and units: one per column. data: float64 array (rows, columns) in memory; in the log it is replaced
    by `file`, the name of a binary numpy file beside the log, and `rows`. shows: which plot suits it
    ("packets", "latency", "scan", "waveform", "sweep", "timeline", "points", "edges", "poses", "loads").

    final=False: what there is by now, for whoever watches. It is told and not recorded, each makes the one before it
    void, and the whole table, once the stage has it, makes all of them void.
    """

    stage: str
    name: str
    shows: str
    columns: tuple[str, ...]
    units: tuple[str, ...]
    rows: int
    file: str = ""
    data: npt.NDArray[np.float64] | None = field(default=None, compare=False, repr=False)
    final: bool = True
    picture: Picture = field(default_factory=Picture)


@dataclass(frozen=True, slots=True)
class FactFound(Event):
    """A stage, or between stages the runner (stage ""), has established something that is no reading; see `facts`."""

    stage: str
    fact: Fact


@dataclass(frozen=True, slots=True)
class Note(Event):
    """A sentence for people: a decision, an advice, a warning. level: info, warning, caution,
    drawing (lines as they stand, that go with the next question)."""

    stage: str
    text: str
    level: str = "info"


@dataclass(frozen=True, slots=True)
class Prompt(Event):
    """Something the operator is asked. id: unique in the run.

    action, role, detail: what is to be done, for machines: "count_blinks", "press_switch", "move_joystick",
    "hold_pose", "meter", "attest", "count_beeps", "confirm_wiring", …; detail is its argument as text.
    """

    stage: str
    id: int
    kind: PromptKind
    text: str
    action: str
    role: Role | None = None
    detail: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    timeout_s: float = 120.0

    @property
    def awaits_answer(self) -> bool:
        """Whether somebody has to answer; else the boards measure that it was done."""
        return self.kind is not PromptKind.DO or bool(self.choices)


@dataclass(frozen=True, slots=True)
class Answer(Event):
    """What the operator answered. by: "person", "file", "simulated". text "" and given False: no answer."""

    stage: str
    id: int
    text: str
    by: str
    given: bool = True


@dataclass(frozen=True, slots=True)
class Attestation(Event):
    """What the operator states to have done or seen; it counts until `expires` (bench time)."""

    stage: str
    what: str
    text: str
    challenge: str
    answer: str
    accepted: bool
    expires: float


@dataclass(frozen=True, slots=True)
class OutputsLive(Event):
    """Outputs that can hurt have become live, or are so no more. cap is a fraction of full throttle."""

    stage: str
    live: bool
    text: str
    cap: float = 0.0


#: a board to which nothing is sent any more has gone idle by then: its keep-alive of 250 ms, a frame, and some more
IDLE_ALONE_S = 0.3


@dataclass(frozen=True, slots=True)
class StopPressed(Event):
    """Somebody or something stopped the run. by: "key", "signal", "closed", "error".

    reached, missed: roles of the boards whose lines took the stop, and of the others.
    """

    by: str
    reached: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()

    @property
    def told(self) -> str:
        """Which boards have been told, as a sentence."""
        if not self.reached and not self.missed:
            return "No board was open yet: none has been told."
        if not self.missed:
            return f"Told to go idle: {' and '.join(self.reached)}."
        missed = f"NOT reached: {' and '.join(self.missed)}, idle by itself within {IDLE_ALONE_S:g} s."
        return f"Told to go idle: {' and '.join(self.reached) or 'none'}. {missed}"


@dataclass(frozen=True, slots=True)
class StageEnded(Event):
    stage: str
    kind: str
    verdict: Verdict
    reason: str
    seconds: float


@dataclass(frozen=True, slots=True)
class FindingMade(Event):
    """A diagnosed cause. rank 1 is the most likely and begins a new list. board None: the pair or the surroundings.

    final=False: what the stages until now point to; the next stage that ends makes it void. group: names of other
    causes told with it, because all that was seen fits them alike; title and confidence are then the group's.
    explanation: what the cause is, apart from what to change; "" in records of before.
    """

    rank: int
    cause: str
    title: str
    confidence: float
    board: Role | None
    evidence: tuple[str, ...]
    against: tuple[str, ...]
    remedy: str
    next_test: str
    final: bool = True
    group: tuple[str, ...] = ()
    explanation: str = ""


@dataclass(frozen=True, slots=True)
class RunEnded(Event):
    """Last event of every run that came to its end. wall: UTC, ISO 8601."""

    verdict: Verdict
    seconds: float
    wall: str


#: what a stage or the runner hands its events to
Emit = Callable[[Event], None]


class _Kinds:
    table: ClassVar[dict[str, type[Event]]] = {}


def kinds() -> Mapping[str, type[Event]]:
    """Every event class by its name in the log."""
    if not _Kinds.table:
        _Kinds.table = {c.__name__: c for c in Event.__subclasses__()}
    return _Kinds.table
