"""The one fold of events into the state of a run: screen, printer, report and comparison all start here.

`Summary.fold` takes one event and is cheap; folding a log read back gives the same state as the run itself had. The
fold never looks at a clock, a file or a bench.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from benchctl import events as ev
from benchctl.facts import Fact
from benchctl.terms import Reading, Role, Verdict

#: a running stage is no further than this
_NEARLY = 0.97


class StageState(StrEnum):
    """How far a stage is."""

    WAITING = "waiting"
    RUNNING = "running"
    ENDED = "ended"


class RunState(StrEnum):
    """How far a run is. stopped: it was stopped and recorded its end; aborted: its record just stops."""

    WAITING = "waiting"
    RUNNING = "running"
    ENDED = "ended"
    STOPPED = "stopped"
    ABORTED = "aborted"


@dataclass(frozen=True, slots=True)
class ResetSeen:
    """A restart of a board; stage: what was running, "" between stages."""

    t: float
    stage: str
    cause: str
    asked: bool
    facts: Mapping[str, float]


@dataclass(slots=True)
class BoardSummary:
    """What is known of one board. vcc, lowest_vcc: volts, None while unknown."""

    role: Role
    label: str = ""
    firmware: str = ""
    image_crc: str = ""
    protocol: int = 0
    clock_hz: int = 0
    port: str = ""
    via: str = ""
    boots: int = 0
    seen: bool = False
    lost: bool = False
    lost_reason: str = ""
    losses: int = 0
    vcc: float | None = None
    lowest_vcc: float | None = None
    frames: int = 0
    damaged: int = 0
    lost_events: int = 0
    resets: list[ResetSeen] = field(default_factory=list)

    @property
    def state(self) -> str:
        """A word for a narrow column."""
        return "lost" if self.lost else "ready" if self.seen else "awaited"

    @property
    def unasked_resets(self) -> int:
        """Restarts that nobody asked for."""
        return sum(not r.asked for r in self.resets)


@dataclass(slots=True)
class Table:
    """A table of raw measurements: the rows of `files`, one after another, make it up."""

    stage: str
    name: str
    shows: str
    columns: tuple[str, ...]
    units: tuple[str, ...]
    picture: ev.Picture = field(default_factory=ev.Picture)
    rows: int = 0
    files: list[tuple[str, int]] = field(default_factory=list)  # name, rows that belong to the table


@dataclass(slots=True)
class StageSummary:
    """What is known of one stage.

    readings: the latest of each name, in the order they first came. provisional: names still being refined.
    """

    name: str
    kind: str = ""
    title: str = ""
    needs: tuple[str, ...] = ()
    state: StageState = StageState.WAITING
    verdict: Verdict | None = None
    reason: str = ""
    instruction: str = ""
    began: float = 0.0
    expected_s: float = 0.0
    seconds: float = 0.0
    progress: ev.Progress | None = None
    readings: dict[str, Reading] = field(default_factory=dict)
    provisional: set[str] = field(default_factory=set)
    tables: dict[str, Table] = field(default_factory=dict)
    notes: list[ev.Note] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    attestations: list[ev.Attestation] = field(default_factory=list)
    margins: Mapping[str, Mapping[str, float | bool | str]] = field(default_factory=dict)
    about: Mapping[str, str] = field(default_factory=dict)

    @property
    def word(self) -> str:
        """State or, once there is one, verdict: one word for the list of stages."""
        return str(self.verdict if self.verdict is not None else self.state)

    @property
    def sign(self) -> str:
        """One character that says the same as `word`."""
        if self.verdict is not None:
            return self.verdict.sign
        return "▸" if self.state is StageState.RUNNING else "·"

    def part_done(self, now: float) -> float | None:
        """Part of the stage's usual time that has passed at bench time `now`; None where that is not known.

        It never goes back, as the stage's own progress does with each board and direction, and is not 1 before the end.
        """
        if self.state is not StageState.RUNNING or self.expected_s <= 0:
            return None
        return min(_NEARLY, max(0.0, now - self.began) / self.expected_s)

    def time_left(self, now: float) -> float | None:
        """Seconds left at bench time `now` of what the stage usually takes, 0 beyond that; None where not known."""
        if self.state is not StageState.RUNNING or self.expected_s <= 0:
            return None
        return max(0.0, self.expected_s - max(0.0, now - self.began))

    def said_of(self, reading: Reading) -> str:
        """One sentence on a reading: what it is, why it matters, a usual value; "" in records of before."""
        return self.about.get(reading.name) or self.about.get(reading.short_name, "")

    @property
    def failed_readings(self) -> list[Reading]:
        """Readings beyond their limits."""
        return [r for r in self.readings.values() if r.verdict is Verdict.FAIL]


@dataclass(frozen=True, slots=True)
class LivePeriod:
    """A time in which outputs that can hurt were live; until is None while they still are."""

    stage: str
    since: float
    until: float | None
    cap: float
    text: str


@dataclass(frozen=True, slots=True)
class Untested:
    """A part of the plan that gave no verdict of its own, and why."""

    stage: str
    title: str
    reason: str


@dataclass(slots=True)
class Summary:
    """The state of a run. Make one, `fold` every event, read the fields; `close` when the record is over."""

    run: str = ""
    wall: str = ""
    version: str = ""
    procedure: str = ""
    procedure_sha256: str = ""
    bench: str = ""
    bench_kind: str = ""
    bench_sha256: str = ""
    simulated: bool = False
    seed: int = 0
    operator: str = ""
    expected_boards: tuple[Role, ...] = ()
    images: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    zone_min: int | None = None
    started: bool = False
    ended: bool = False
    closed: bool = False
    missing: str = ""
    verdict: Verdict | None = None
    t: float = 0.0
    seconds: float = 0.0
    wall_end: str = ""
    current: str = ""
    boards: dict[Role, BoardSummary] = field(default_factory=dict)
    stages: dict[str, StageSummary] = field(default_factory=dict)
    prompts: dict[int, ev.Prompt] = field(default_factory=dict)
    answers: list[ev.Answer] = field(default_factory=list)
    attestations: list[ev.Attestation] = field(default_factory=list)
    live: ev.OutputsLive | None = None
    live_periods: list[LivePeriod] = field(default_factory=list)
    findings: list[ev.FindingMade] = field(default_factory=list)
    so_far: list[ev.FindingMade] = field(default_factory=list)  # what the stages until now point to, while it runs
    notes: list[ev.Note] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)  # those of no stage
    stop: ev.StopPressed | None = None

    # ------------------------------------------------------------------ the fold

    def fold(self, event: ev.Event) -> None:
        """Take one event in."""
        self.t = max(self.t, event.t)
        folder = _FOLDS.get(type(event))
        if folder is not None:
            folder(self, event)

    def close(self, missing: str = "") -> None:
        """The record is over. missing: what the reader of the log found to be missing, in words."""
        self.closed = True
        self.missing = missing
        if not self.ended:
            self.seconds = self.t
            self.findings = self.findings or self.so_far

    def stage(self, name: str) -> StageSummary:
        """The stage of that name; a new one where the plan did not list it."""
        return self.stages.setdefault(name, StageSummary(name))

    def board(self, role: Role) -> BoardSummary:
        """What is known of a board, made where nothing is yet."""
        return self.boards.setdefault(role, BoardSummary(role))

    # ------------------------------------------------------------------ questions

    @property
    def state(self) -> RunState:
        """How far the run has come."""
        if self.ended:
            return RunState.STOPPED if self.stop is not None else RunState.ENDED
        if self.closed:
            return RunState.ABORTED
        return RunState.RUNNING if self.started else RunState.WAITING

    @property
    def aborted(self) -> bool:
        """Whether the record ends without the run's end."""
        return self.state is RunState.ABORTED

    @property
    def outcome(self) -> Verdict | None:
        """The verdict; of an aborted run what its record supports: fail if a stage failed, else undecided."""
        if self.verdict is not None or not self.closed:
            return self.verdict
        failed = any(s.verdict is Verdict.FAIL for s in self.stages.values())
        return Verdict.FAIL if failed else Verdict.UNDECIDED

    @property
    def running(self) -> StageSummary | None:
        """The stage that is running."""
        return self.stages.get(self.current) if self.current else None

    @property
    def highest_cap(self) -> float:
        """Largest throttle cap of the run, as a fraction; 0 when nothing was live."""
        return max((p.cap for p in self.live_periods), default=0.0)

    @property
    def untested(self) -> list[Untested]:
        """What gave no verdict: stages not run, cut off or never reached."""
        out = []
        for s in self.stages.values():
            if s.verdict is Verdict.NOT_RUN:
                out.append(Untested(s.name, s.title, s.reason))
            elif s.verdict is None and (self.closed or self.ended):
                reason = "cut off before its end" if s.state is StageState.RUNNING else "never reached"
                out.append(Untested(s.name, s.title, reason))
        return out

    def reading(self, stage: str, name: str) -> Reading | None:
        """The latest reading of that name."""
        found = self.stages.get(stage)
        return found.readings.get(name) if found else None

    def label(self, role: Role) -> str:
        """The board's label, or its role while no label is known."""
        board = self.boards.get(role)
        return board.label if board and board.label else str(role)

    def count(self, verdict: Verdict) -> int:
        """Number of stages with that verdict."""
        return sum(s.verdict is verdict for s in self.stages.values())


def summarise(events: Iterable[ev.Event], missing: str = "", *, live: bool = False) -> Summary:
    """Fold a whole record. live: the run is still going on, so that it is not taken for cut off."""
    summary = Summary()
    for event in events:
        summary.fold(event)
    if not live:
        summary.close(missing)
    return summary


# ---------------------------------------------------------------------- one function an event


def _run_started(s: Summary, e: ev.RunStarted) -> None:
    for name in _RUN_FIELDS:
        setattr(s, name, getattr(e, name))
    if s.bench_kind == "serial":  # as records of before call real boards
        s.bench_kind = "ports"
    s.started = True
    for p in e.plan:
        stage = s.stage(p.name)
        stage.kind, stage.title, stage.needs, stage.margins, stage.about = p.kind, p.title, p.needs, p.margins, p.about
    for role in e.expected_boards:
        s.board(role)


_RUN_FIELDS = (
    *("run", "wall", "version", "procedure", "procedure_sha256", "bench", "bench_kind", "bench_sha256"),
    *("simulated", "seed", "operator", "expected_boards", "images", "labels", "zone_min"),
)


def _board_seen(s: Summary, e: ev.BoardSeen) -> None:
    board = s.board(e.role)
    for name in ("label", "firmware", "image_crc", "protocol", "clock_hz", "port", "boots", "via"):
        setattr(board, name, getattr(e, name))
    board.seen, board.lost, board.lost_reason = True, False, ""


def _board_reset(s: Summary, e: ev.BoardReset) -> None:
    s.board(e.role).resets.append(ResetSeen(e.t, s.current, e.cause, e.asked, dict(e.facts)))


def _board_lost(s: Summary, e: ev.BoardLost) -> None:
    board = s.board(e.role)
    board.lost, board.lost_reason = True, e.reason
    board.losses += 1


def _board_back(s: Summary, e: ev.BoardBack) -> None:
    board = s.board(e.role)
    board.seen, board.lost, board.lost_reason, board.label = True, False, "", e.label


def _board_health(s: Summary, e: ev.BoardHealth) -> None:
    board = s.board(e.role)
    board.frames, board.damaged, board.lost_events = e.frames, e.damaged, e.lost_events
    if e.vcc == e.vcc:
        board.vcc = e.vcc
        board.lowest_vcc = e.vcc if board.lowest_vcc is None else min(board.lowest_vcc, e.vcc)


def _stage_started(s: Summary, e: ev.StageStarted) -> None:
    stage = s.stage(e.stage)
    again = stage.state is not StageState.WAITING
    if again:  # performed anew: what it found before no longer counts
        s.stages[e.stage] = stage = StageSummary(e.stage, needs=stage.needs, margins=stage.margins, about=stage.about)
    stage.kind, stage.title, stage.instruction = e.kind, e.title, e.instruction
    stage.expected_s, stage.began, stage.state = e.expected_s, e.t, StageState.RUNNING
    s.current = e.stage


def _progress(s: Summary, e: ev.Progress) -> None:
    s.stage(e.stage).progress = e


def _reading_taken(s: Summary, e: ev.ReadingTaken) -> None:
    stage = s.stage(e.stage)
    stage.readings[e.reading.name] = e.reading
    (stage.provisional.discard if e.final else stage.provisional.add)(e.reading.name)


def _samples(s: Summary, e: ev.Samples) -> None:
    if not e.final:
        return
    tables = s.stage(e.stage).tables
    table = tables.get(e.name)
    if table is None or table.columns != e.columns:
        table = tables[e.name] = Table(e.stage, e.name, e.shows, e.columns, e.units, e.picture)
    table.rows += e.rows
    if not e.file:
        return
    if table.files and table.files[-1][0] == e.file:
        table.files[-1] = (e.file, table.files[-1][1] + e.rows)
    else:
        table.files.append((e.file, e.rows))


def _fact_found(s: Summary, e: ev.FactFound) -> None:
    facts = s.stage(e.stage).facts if e.stage else s.facts
    if e.fact not in facts:
        facts.append(e.fact)


def _note(s: Summary, e: ev.Note) -> None:
    (s.stage(e.stage).notes if e.stage else s.notes).append(e)


def _prompt(s: Summary, e: ev.Prompt) -> None:
    s.prompts[e.id] = e


def _answer(s: Summary, e: ev.Answer) -> None:
    s.prompts.pop(e.id, None)
    s.answers.append(e)


def _attestation(s: Summary, e: ev.Attestation) -> None:
    s.attestations.append(e)
    if e.stage:
        s.stage(e.stage).attestations.append(e)


def _outputs_live(s: Summary, e: ev.OutputsLive) -> None:
    going_on = e.live and s.live is not None and s.live.cap == e.cap
    if s.live is not None and not going_on:
        last = s.live_periods[-1]
        s.live_periods[-1] = LivePeriod(last.stage, last.since, e.t, last.cap, last.text)
    s.live = e if e.live else None
    if e.live and not going_on:
        s.live_periods.append(LivePeriod(e.stage, e.t, None, e.cap, e.text))


def _stop_pressed(s: Summary, e: ev.StopPressed) -> None:
    s.stop = s.stop or e


def _stage_ended(s: Summary, e: ev.StageEnded) -> None:
    stage = s.stage(e.stage)
    stage.state, stage.verdict, stage.reason, stage.seconds = StageState.ENDED, e.verdict, e.reason, e.seconds
    stage.kind = e.kind
    s.prompts = {i: p for i, p in s.prompts.items() if p.stage != e.stage}
    if s.current == e.stage:
        s.current = ""
    if e.verdict is not Verdict.NOT_RUN:
        s.so_far = []


def _finding_made(s: Summary, e: ev.FindingMade) -> None:
    if e.rank <= 1:  # a new list begins
        s.so_far = []
        s.findings = [] if e.final else s.findings
    (s.findings if e.final else s.so_far).append(e)


def _run_ended(s: Summary, e: ev.RunEnded) -> None:
    s.ended, s.verdict, s.seconds, s.wall_end = True, e.verdict, e.seconds, e.wall
    s.prompts, s.current, s.so_far = {}, "", []


_FOLDS: dict[type[ev.Event], Callable[[Summary, Any], None]] = {
    ev.RunStarted: _run_started,
    ev.BoardSeen: _board_seen,
    ev.BoardReset: _board_reset,
    ev.BoardLost: _board_lost,
    ev.BoardBack: _board_back,
    ev.BoardHealth: _board_health,
    ev.StageStarted: _stage_started,
    ev.Progress: _progress,
    ev.ReadingTaken: _reading_taken,
    ev.Samples: _samples,
    ev.FactFound: _fact_found,
    ev.Note: _note,
    ev.Prompt: _prompt,
    ev.Answer: _answer,
    ev.Attestation: _attestation,
    ev.OutputsLive: _outputs_live,
    ev.StopPressed: _stop_pressed,
    ev.StageEnded: _stage_ended,
    ev.FindingMade: _finding_made,
    ev.RunEnded: _run_ended,
}
