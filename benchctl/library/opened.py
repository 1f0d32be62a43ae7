"""An open bench, as a script or a test has it."""

from __future__ import annotations

import os
import signal
import sys
import threading
import weakref
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import FrameType, MappingProxyType, TracebackType
from typing import Any

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.bench import Bench
from benchctl.errors import UsageError
from benchctl.headless import Lines, terminal_operator
from benchctl.library.boards import OpenBoard
from benchctl.library.gauge import Gauge, LimitLike, Limits
from benchctl.library.runs import Run
from benchctl.operate import Operation, default_root
from benchctl.operators import FileOperator, NoOperator
from benchctl.procedure.file import Procedure, load, of_stages
from benchctl.stages.contract import Stage, Value
from benchctl.terms import Limit, Role, Verdict

#: signals whose usual end of a process would skip every clean-up
_ENDING = ("SIGTERM", "SIGHUP", "SIGBREAK")


def open_bench(
    name: str | os.PathLike[str] = "sim",
    *,
    kind: str | None = None,
    pair: str | os.PathLike[str] = "",
    seed: int | None = None,
    labels: Mapping[str, str] | None = None,
    images: Mapping[str, str | os.PathLike[str]] | None = None,
    runs: str | os.PathLike[str] | None = None,
    answers: str | os.PathLike[str] | None = None,
    person: bool = False,
) -> OpenBench:
    """Open a bench: `with open_bench("avr", images={"hand": "hand.elf"}) as bench: ...`

    name: "sim", "avr", "ports" (the boards that are plugged in), a shipped bench, or a bench file.
    kind: "sim" or "avr" in place of a modelled bench file's. pair: name or file of what is soldered.
    seed: of all chance on a modelled bench. labels: by role; a board with another one is refused.
    images: firmware by role, for "avr". runs: where runs are kept, the user's usual place unless told.
    answers: a file of answers to prompts. person: whoever sits at the terminal is asked; without it nobody is there on
    real boards, and what needs a person, as all that turns a motor does, is not run. Modelled benches have a modelled
    person. Raises UsageError naming what was expected, BoardError and PortLost for boards that cannot be used.
    """
    bench = benches.open_bench(
        os.fspath(name),
        kind=kind,
        seed=seed,
        labels=_by_role(labels or {}, "labels"),
        images={role: os.fspath(p) for role, p in _by_role(images or {}, "images").items()},
        pair=os.fspath(pair),
    )
    try:
        missing = [role for role in _by_role(images or {}, "images") if role not in bench.boards]
        if missing:
            raise UsageError(f"images: bench {bench.name} has no {missing[0]} board; it has {', '.join(bench.boards)}")
        _choose_operator(bench, answers, person)
        return OpenBench(bench, Path(runs) if runs is not None else default_root())
    except BaseException:
        bench.close()
        raise


def _by_role(items: Mapping[str, Any], what: str) -> dict[Role, Any]:
    for role in items:
        if role not in set(Role):
            raise UsageError(f"{what}: expected roles out of {', '.join(Role)}, got {role!r}")
    return {Role(role): value for role, value in items.items()}


def _choose_operator(bench: Bench, answers: str | os.PathLike[str] | None, person: bool) -> None:
    """No operator can be handed in: one made by a script could type back the words that attest."""
    if answers is not None:
        bench.operator = FileOperator.load(Path(answers))
    elif person:
        if not (sys.stdin and sys.stdin.isatty()):
            raise UsageError("person: expected a terminal, where somebody can be asked and can answer")
        bench.operator = terminal_operator(sys.stdin)
    elif not bench.simulated:
        bench.operator = NoOperator()


class OpenBench:
    """Boards that are reachable together. Made by `open_bench`; a context manager that leaves every output idle.

    Outputs are brought to idle and the ports closed at the end of the `with` block, also by an exception or a signal
    that ends the process, at the latest when the interpreter ends. A process that is killed outright says nothing any
    more: then the boards' own guard brings motors to idle, 250 ms and a frame after the last that was asked.
    """

    def __init__(self, bench: Bench, root: Path) -> None:
        self._bench = bench
        self._root = root
        self._operation: Operation | None = None
        self._kept: dict[signal.Signals, Any] = {}
        self._end = weakref.finalize(self, bench.close)
        self.runs: list[Run] = []

    def __enter__(self) -> OpenBench:
        self._catch_signals()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Every output to idle, then let go of the ports. May be called twice."""
        try:
            self._end()
        finally:
            self._release_signals()

    @property
    def closed(self) -> bool:
        """Whether it has been closed."""
        return not self._end.alive

    # ------------------------------------------------------------------ what it is

    @property
    def name(self) -> str:
        """As the bench file has it."""
        return self._bench.name

    @property
    def kind(self) -> str:
        """ "ports", "sim" or "avr"."""
        return self._bench.kind

    @property
    def simulated(self) -> bool:
        """Whether no real board is there."""
        return self._bench.simulated

    @property
    def boards(self) -> Mapping[str, OpenBoard]:
        """The boards by role."""
        return MappingProxyType({str(role): OpenBoard(board) for role, board in self._bench.boards.items()})

    def board(self, role: str) -> OpenBoard:
        """The board of a role. Raises UsageError where the bench has none."""
        if role not in self._bench.boards:
            raise UsageError(f"bench {self.name} has no {role} board; it has {', '.join(self._bench.boards)}")
        return self.boards[role]

    @property
    def gauge(self) -> Gauge:
        """The gauge. Raises UsageError where the bench has none."""
        self.board("gauge")
        return Gauge(self._bench.boards[Role.GAUGE], self.stage)

    @property
    def attended(self) -> bool:
        """Whether somebody answers prompts: a person at the terminal, or the modelled one."""
        return self._bench.operator.by in ("person", "simulated")

    def now(self) -> float:
        """The bench's time, s; simulated on modelled benches."""
        return self._bench.now()

    def wait(self, seconds: float) -> None:
        """Let so much of the bench's time pass. Raises Stopped once the bench is stopped."""
        self._bench.wait(seconds)

    # ------------------------------------------------------------------ runs

    def run(self, procedure: str | os.PathLike[str], *, only: Iterable[str] = ()) -> Run:
        """Perform a procedure: the name of a shipped one, or a file. only: these stages and what they need.

        Recorded in a run folder as any run is; reports are written where the verdict is not pass.
        Raises UsageError for what cannot be read. What ended the run early is told in `Run.error`.
        """
        found = load(shipped.procedure(os.fspath(procedure)))
        return self._perform(found.only(only) if only else found)

    def stage(self, kind: str | Stage, *, limits: Limits = None, **parameters: Value) -> Run:
        """One stage by itself, a shipped kind or a `Stage` of one's own, with limits and parameters as in a procedure.

        What needs earlier stages to have passed, as all that turns a motor does, is refused with UsageError.
        """
        own = () if isinstance(kind, str) else (kind,)
        word = kind if isinstance(kind, str) else kind.kind
        told = {name: _limit(name, limit) for name, limit in (limits or {}).items()}
        return self._perform(of_stages(word, [{"kind": word, "parameters": parameters, "limits": told}], own))

    def stop(self) -> None:
        """Every output to idle now, and the run that is going on ends; from any thread. Final for this bench."""
        if self._operation is not None:
            self._operation.stop("script")
        else:
            self._bench.halted = True
            self._bench.stop_all()

    def _perform(self, procedure: Procedure) -> Run:
        if self.closed:
            raise UsageError(f"bench {self.name} is closed; open it anew")
        readers: list[Callable[[ev.Event], None]] = [self._choose_reports]
        lines = Lines(sys.stderr) if self._bench.operator.by == "person" else None  # who is asked reads along
        if lines is not None:
            readers.append(lines)
        operation = Operation(procedure, self._bench, self._root, readers=readers)
        self._operation = operation
        error = "broken off by an exception"
        try:
            error = operation.perform().error
        finally:
            self._operation = None
            self.runs.append(Run(operation.folder, operation.summary, error))
            if lines is not None:
                lines.close()
        return self.runs[-1]

    def _choose_reports(self, event: ev.Event) -> None:
        """They can be made at any time; at once only where somebody will look."""
        if isinstance(event, ev.RunEnded) and self._operation is not None:
            self._operation.reports = event.verdict is not Verdict.PASS

    # ------------------------------------------------------------------ signals

    def _catch_signals(self) -> None:
        """Signals that end a process at once end the block instead; those that somebody else takes are left to them."""
        if threading.current_thread() is not threading.main_thread():
            return
        for one in [getattr(signal, name) for name in _ENDING if hasattr(signal, name)]:
            if signal.getsignal(one) is signal.SIG_DFL:
                self._kept[one] = signal.signal(one, _leave)

    def _release_signals(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return
        for one, before in self._kept.items():
            if signal.getsignal(one) is _leave:
                signal.signal(one, before)
        self._kept.clear()


def _leave(number: int, frame: FrameType | None) -> None:
    raise SystemExit(128 + number)


def _limit(name: str, limit: LimitLike) -> dict[str, float]:
    if limit is None:
        return {}
    if isinstance(limit, Limit):
        return {side: bound for side, bound in (("min", limit.min), ("max", limit.max)) if bound is not None}
    if not isinstance(limit, Mapping):
        raise UsageError(f'limits: {name}: expected benchctl.Limit, {{"max": …}} or None, got {limit!r}')
    return dict(limit)
