"""A run without the terminal UI: progress as lines on standard error, a person's answers from standard input."""

from __future__ import annotations

import sys
import threading
from pathlib import Path
from typing import TextIO

from benchctl import events as ev
from benchctl.bench import Bench, Operator
from benchctl.operators import FileOperator, NoOperator, PersonOperator
from benchctl.terms import Verdict
from benchctl.units import quantity


class Lines:
    """A reader of run events that prints what a person following along wants to know."""

    def __init__(self, out: TextIO) -> None:
        self.out = out
        self._leading = ""  # the cause that was told last, while the run goes on

    def __call__(self, event: ev.Event) -> None:
        handler = getattr(self, f"_{type(event).__name__}", None)
        if handler is not None:
            handler(event)

    def line(self, text: str) -> None:
        print(text, file=self.out, flush=True)

    def _RunStarted(self, e: ev.RunStarted) -> None:  # noqa: N802  named after the event
        nothing = "  (simulated: nothing here is real)" if e.simulated else ""
        self.line(f"{e.procedure} on bench {e.bench}, seed {e.seed}{nothing}")

    def _BoardSeen(self, e: ev.BoardSeen) -> None:  # noqa: N802
        if e.image_crc != "????????":
            self.line(f"  {e.role}: {e.label or 'no label yet'}, firmware {e.firmware}, image {e.image_crc}, {e.port}")

    def _BoardLost(self, e: ev.BoardLost) -> None:  # noqa: N802
        self.line(f"! {e.role} board lost: {e.reason}")

    def _BoardBack(self, e: ev.BoardBack) -> None:  # noqa: N802
        self.line(f"  {e.role} board {e.label} is back")

    def _BoardReset(self, e: ev.BoardReset) -> None:  # noqa: N802
        if not e.asked:
            self.line(f"! {e.role} board restarted: {e.cause}")

    def _StageStarted(self, e: ev.StageStarted) -> None:  # noqa: N802
        self.line(f"{e.stage}: {e.title}, about {quantity(e.expected_s, 's', 2)}. {e.instruction}")

    def _ReadingTaken(self, e: ev.ReadingTaken) -> None:  # noqa: N802
        r = e.reading
        if e.final and r.limit is not None and r.verdict is not None:
            self.line(f"  {r.verdict.sign} {r.name}: {r.text()}, limit {r.limit.text(r.unit)}")

    def _Note(self, e: ev.Note) -> None:  # noqa: N802
        self.line(f"  {'!' if e.level == 'warning' else '·'} {e.text}")

    def _Prompt(self, e: ev.Prompt) -> None:  # noqa: N802
        hint = f" [{e.unit}]" if e.unit else f" [{'/'.join(e.choices)}]" if e.choices else ""
        self.line(f"? {e.text}{hint}" + ("" if e.kind is ev.PromptKind.DO else "  — answer and Enter:"))

    def _Answer(self, e: ev.Answer) -> None:  # noqa: N802
        if e.by != "person" and e.given:
            self.line(f"  ({e.by}: {e.text})")

    def _OutputsLive(self, e: ev.OutputsLive) -> None:  # noqa: N802
        self.line(f"*** {e.text} — Ctrl-C stops ***" if e.live else f"    {e.text}")

    def _StopPressed(self, e: ev.StopPressed) -> None:  # noqa: N802
        self.line(f"! stopped ({e.by}); outputs are idle")

    def _StageEnded(self, e: ev.StageEnded) -> None:  # noqa: N802
        why = f": {e.reason}" if e.reason else ""
        self.line(f"{e.verdict.sign} {e.stage}: {e.verdict}{why}")

    def _FindingMade(self, e: ev.FindingMade) -> None:  # noqa: N802
        where = f" ({e.board})" if e.board else ""
        if not e.final:
            self._tell_leading(e, where)
            return
        self.line(f"{e.rank}. {e.title}{where}, confidence {100 * e.confidence:.0f} %: {e.remedy}")

    def _tell_leading(self, e: ev.FindingMade, where: str) -> None:
        """The leading cause, when it is another one or its confidence has changed by ten points."""
        told = f"{e.cause} {e.board} {e.confidence:.1f}"
        if e.rank == 1 and told != self._leading:
            self._leading = told
            self.line(
                f"~ so far: {e.title}{where}, confidence {100 * e.confidence:.0f} %; later stages may change this"
            )

    def _RunEnded(self, e: ev.RunEnded) -> None:  # noqa: N802
        self.line(f"{e.verdict.sign} {Verdict(e.verdict).upper()} after {quantity(e.seconds, 's', 3)}")


def terminal_operator(source: TextIO) -> PersonOperator:
    """A person typing answers: the line typed goes to the prompt shown last that is still open."""
    open_ids: list[int] = []

    def show(prompt: ev.Prompt) -> None:
        if prompt.kind is not ev.PromptKind.DO:
            open_ids.append(prompt.id)

    def withdraw(prompt: ev.Prompt) -> None:
        if prompt.id in open_ids:
            open_ids.remove(prompt.id)

    person = PersonOperator(show, withdraw)

    def read() -> None:
        for line in source:
            if open_ids:
                person.give(open_ids[-1], line.strip())
        person.leave("standard input has ended")

    threading.Thread(target=read, name="answers", daemon=True).start()
    return person


def choose_operator(bench: Bench, answers: Path | None, nobody: bool) -> Operator | None:
    """Who answers in a headless run: the file, nobody, else the bench's own (simulated), else the terminal."""
    if answers is not None:
        return FileOperator.load(answers)
    if nobody:
        return NoOperator()
    if bench.simulated:
        return None
    return terminal_operator(sys.stdin) if sys.stdin and sys.stdin.isatty() else NoOperator()
