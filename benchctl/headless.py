"""A run without the terminal UI: progress on standard error, a person's answers from standard input."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO

from benchctl import events as ev
from benchctl.bench import Bench, Operator
from benchctl.facts import WiringFound, WiringUnsure
from benchctl.operators import FileOperator, NoOperator, PersonOperator, chosen
from benchctl.paced_output import Output
from benchctl.report import words
from benchctl.report.advice import next_steps
from benchctl.report.write import FILES
from benchctl.runs.summary import Summary
from benchctl.terms import Verdict
from benchctl.units import shown, unbroken


class Lines:
    """A reader of run events that says what a person following along wants to know.

    On a terminal the running stage is one line that changes in place; in a pipe a stage is one line when it has
    ended. Below it stand the readings that failed. verbose: every reading, note and answer as it comes.
    """

    def __init__(self, out: TextIO, *, verbose: bool = False) -> None:
        self._terminal = out.isatty() and os.environ.get("TERM") != "dumb"
        self._colour = self._terminal and "NO_COLOR" not in os.environ
        self._output = Output(out, terminal=self._terminal)
        self._verbose = verbose
        self._titles: dict[str, str] = {}
        self._asks = False  # whether a person answers, here
        self._said: set[str] = set()  # what is said once
        self._failed: list[str] = []  # readings of the running stage
        self._stage, self._began, self._expected = "", 0.0, 0.0
        self._questions: set[int] = set()  # open ones: what is typed then stands on a line of its own
        self._live: ev.OutputsLive | None = None
        self._times_live, self._longest_cut = 0, 0.0
        self._leading = ""  # the cause that was told last, while the run goes on

    def __call__(self, event: ev.Event) -> None:
        handler = getattr(self, f"_{type(event).__name__}", None)
        if handler is not None:
            handler(event)

    def close(self) -> None:
        """Have everything written, as far as somebody takes it."""
        self._output.close()

    def line(self, text: str, colour: str = "", indent: str = "") -> None:
        """One sentence; on a terminal wrapped at words."""
        rows = [text]
        if self._terminal:
            width = shutil.get_terminal_size().columns - 1
            rows = textwrap.wrap(
                unbroken(text), max(20, width), subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
            ) or [""]
        for row in rows:
            self._output.line(f"{_COLOURS[colour]}{row}{_PLAIN}" if colour and self._colour else row)

    def _once(self, text: str, colour: str = "", indent: str = "") -> None:
        if text not in self._said:
            self._said.add(text)
            self.line(text, colour, indent)

    def _show_status(self, text: str = "") -> None:
        """The line in place: whether outputs are live, the running stage, how far it is."""
        live = "OUTPUTS LIVE, Ctrl-C stops  " if self._live else ""
        width = shutil.get_terminal_size().columns - 1
        status = f"{live}▸ {text}"[:width] if self._stage else ""
        self._output.status = "" if self._questions and not live else status

    # ------------------------------------------------------------------ the run, its boards

    def _RunStarted(self, e: ev.RunStarted) -> None:  # noqa: N802  named after the event
        nothing = "  (simulated: nothing here is real)" if e.simulated else ""
        self._titles = {plan.name: plan.title for plan in e.plan}
        self._asks = e.operator == "person"
        self.line(f"{e.procedure} on bench {e.bench}, seed {e.seed}{nothing}")

    def _BoardSeen(self, e: ev.BoardSeen) -> None:  # noqa: N802
        if e.image_crc != "????????":
            self._once(f"  {e.role}: {e.label or 'no label yet'}, firmware {e.firmware}, image {e.image_crc}, {e.port}")

    def _BoardLost(self, e: ev.BoardLost) -> None:  # noqa: N802
        self.line(f"! {e.role} board lost: {e.reason}", "warn", "  ")

    def _BoardBack(self, e: ev.BoardBack) -> None:  # noqa: N802
        self.line(f"  {e.role} board {e.label} is back")

    def _BoardReset(self, e: ev.BoardReset) -> None:  # noqa: N802
        if not e.asked:
            self.line(f"! {e.role} board restarted: {e.cause}", "warn", "  ")

    # ------------------------------------------------------------------ a stage

    def _StageStarted(self, e: ev.StageStarted) -> None:  # noqa: N802
        self._stage, self._began, self._expected = e.title, e.t, e.expected_s
        self._failed.clear()
        about = f"{e.title}: about {words.duration(e.expected_s)}"
        self._show_status(about)
        if self._verbose or self._asks:
            self.line(f"▸ {about}. {e.instruction}", indent="  ")

    def _Progress(self, e: ev.Progress) -> None:  # noqa: N802
        share = min(1.0, max(0.0, e.done / e.total)) if e.total > 0 else 0.0
        since = e.t - self._began
        left = since * (1 - share) / share if share > 0 else self._expected - since
        told = f": {e.text}" if e.text else ""
        self._show_status(f"{self._stage}: {100 * share:.0f} %, {words.duration(max(0.0, left))} left{told}")

    def _ReadingTaken(self, e: ev.ReadingTaken) -> None:  # noqa: N802
        r = e.reading
        if not e.final:
            return
        if r.name.endswith("_cut") and r.unit == "ms":
            self._longest_cut = max(self._longest_cut, r.value)
        if r.limit is None or r.verdict is None:
            return
        named = f" [{r.name}]" if self._verbose and r.label else ""
        text = f"  {r.verdict.sign} {r.called}{named}: {r.text()}, limit {r.limit.text(r.unit)}"
        if self._verbose:
            self.line(text, _TONES[r.verdict], "    ")
        elif r.verdict is not Verdict.PASS:
            self._failed.append(text)

    def _StageEnded(self, e: ev.StageEnded) -> None:  # noqa: N802
        self._stage = self._output.status = ""
        took = f", {words.duration(e.seconds)}" if e.verdict is not Verdict.NOT_RUN else ""
        why = f": {e.reason}" if e.reason else ""
        title = self._titles.get(e.stage) or e.stage
        name = f" ({e.stage})" if self._verbose and title != e.stage else ""
        self.line(f"{e.verdict.sign} {title}{name}: {e.verdict}{took}{why}", _TONES[e.verdict], "  ")
        for text in self._failed:
            self.line(text, "bad", "    ")
        self._failed.clear()

    def _FactFound(self, e: ev.FactFound) -> None:  # noqa: N802
        """What a search finds and cannot find is told as it goes."""
        if (self._asks or self._verbose) and isinstance(e.fact, WiringFound | WiringUnsure):
            doubt = isinstance(e.fact, WiringUnsure)
            self.line(f"  {'?' if doubt else '·'} {words.wiring(e.fact)}", "warn" if doubt else "", "    ")

    def drawing(self, text: str) -> None:
        """Lines as they stand."""
        for row in text.splitlines():
            self._output.line(row)

    def _Note(self, e: ev.Note) -> None:  # noqa: N802
        if e.level == "caution":
            self._once(f"  · {e.text}", indent="    ")
        elif e.level == "drawing":
            if self._asks or self._verbose:
                self.drawing(e.text)
        elif e.level == "warning":
            self._once(f"  ! {e.text}", "warn", "    ")
        elif self._verbose:
            self.line(f"  · {e.text}", indent="    ")

    # ------------------------------------------------------------------ who is asked

    def _Prompt(self, e: ev.Prompt) -> None:  # noqa: N802
        if not (self._asks or self._verbose):
            return
        hint = f" [{shown(e.unit)}]" if e.unit else f" [{'/'.join(e.choices)}]" if e.choices else ""
        if e.awaits_answer:
            self._questions.add(e.id)
            self._show_status(self._stage)
        self.line(
            f"{'►' if e.kind is ev.PromptKind.DO else '?'} {e.text}{hint}"
            + ("  — answer and Enter:" if e.awaits_answer else ""),
            "strong",
            "  ",
        )

    def _Answer(self, e: ev.Answer) -> None:  # noqa: N802
        self._questions.discard(e.id)
        if self._verbose and e.by != "person" and e.given:
            self.line(f"  ({e.by}: {e.text})")

    # ------------------------------------------------------------------ outputs that can hurt, the stop

    def _OutputsLive(self, e: ev.OutputsLive) -> None:  # noqa: N802
        if e.live and self._live is None:
            self._times_live += 1
        self._live = e if e.live else None
        if self._stage:
            self._show_status(self._stage)
        if e.live:
            text = f"*** {e.text} — Ctrl-C stops ***"
            self.line(text, "live") if self._verbose else self._once(text, "live")
        elif self._verbose:
            self.line(f"    {e.text}")

    def _StopPressed(self, e: ev.StopPressed) -> None:  # noqa: N802
        self.line(f"! stopped ({e.by}). {e.told}", "warn", "  ")

    # ------------------------------------------------------------------ causes, the end

    def _FindingMade(self, e: ev.FindingMade) -> None:  # noqa: N802
        where = f" ({e.board})" if e.board else ""
        if not e.final:
            self._tell_leading(e, where)
        elif self._verbose:
            self.line(f"{e.rank}. {e.title}{where}, confidence {100 * e.confidence:.0f} %: {e.remedy}", indent="   ")

    def _tell_leading(self, e: ev.FindingMade, where: str) -> None:
        """The leading cause, when it is another one or its confidence has changed by ten points."""
        told = f"{e.cause} {e.board} {e.confidence:.1f}"
        if e.rank == 1 and told != self._leading:
            self._leading = told
            text = f"~ so far: {e.title}{where}, confidence {100 * e.confidence:.0f} %; later stages may change this"
            self.line(text, indent="  ")

    def _RunEnded(self, e: ev.RunEnded) -> None:  # noqa: N802
        if self._times_live:
            cut = f", longest cut {self._longest_cut:.0f} ms" if self._longest_cut else ""
            self.line(f"outputs were live {words.many(self._times_live, 'time')}{cut}")


#: of a terminal, by tone (ECMA-48, select graphic rendition)
_COLOURS = {"good": "\x1b[32m", "bad": "\x1b[31m", "warn": "\x1b[33m", "strong": "\x1b[1m", "live": "\x1b[7;31m"}
_PLAIN = "\x1b[0m"
_TONES = {Verdict.PASS: "good", Verdict.FAIL: "bad", Verdict.UNDECIDED: "warn", Verdict.NOT_RUN: ""}


def closing(s: Summary, folder: Path) -> list[str]:
    """A run's end in six lines: verdict, what to do, the likeliest cause, its test, the report, how to see more."""
    verdict = s.outcome or Verdict.UNDECIDED
    told = f"{words.many(len(s.stages), 'stage')}, {s.count(Verdict.PASS)} passed, {words.duration(s.seconds)}"
    cause, test = "none found", "none"
    if s.findings:
        f = s.findings[0]
        where = f" on {s.label(f.board)}" if f.board else ""
        cause, test = f"{f.title}{where}, {words.confidence(f.confidence)}", f.next_test or "none"
    report = folder / FILES["html"]
    return [
        f"{verdict.sign} {verdict.upper()}: {s.procedure} on {s.bench}, {told}",
        f"do:     {next_steps(s)[0]}",
        f"cause:  {cause}",
        f"test:   {test}",
        f"report: {report if report.exists() else folder}",
        f"more:   benchctl report {folder}; benchctl findings {folder}; -v shows every reading as it comes",
    ]


def terminal_operator(source: TextIO, say: Callable[[str], None] = lambda text: None) -> PersonOperator:
    """A person typing answers: the line typed goes to the prompt shown last that is still open.

    A choice is known by its beginning, in capitals or not; say: told why a line was none.
    """
    asked: list[ev.Prompt] = []

    def show(prompt: ev.Prompt) -> None:
        if prompt.awaits_answer:
            asked.append(prompt)

    def withdraw(prompt: ev.Prompt) -> None:
        if prompt in asked:
            asked.remove(prompt)

    person = PersonOperator(show, withdraw)

    def read() -> None:
        for line in _lines(source):
            for latest in asked[-1:]:  # one look: the stage's thread may withdraw it meanwhile
                answer = chosen(latest, line.strip())
                if answer is None:
                    say(f"  ! {line.strip()!r} is none of them; type the beginning of one: {', '.join(latest.choices)}")
                else:
                    person.give(latest.id, answer)
        person.leave("standard input has ended")

    threading.Thread(target=read, name="answers", daemon=True).start()
    return person


def _lines(source: TextIO) -> Iterator[str]:
    """Until its end, or until the terminal is gone."""
    with contextlib.suppress(OSError, ValueError):
        yield from source


def choose_operator(
    bench: Bench, answers: Path | None, nobody: bool, say: Callable[[str], None] = lambda text: None
) -> Operator | None:
    """Who answers in a headless run: the file, nobody, else the bench's own (simulated), else the terminal."""
    if answers is not None:
        return FileOperator.load(answers)
    if nobody:
        return NoOperator()
    if bench.simulated:
        return None
    return terminal_operator(sys.stdin, say) if sys.stdin and sys.stdin.isatty() else NoOperator()
