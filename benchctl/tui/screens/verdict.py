"""After a run, or while it goes on: the verdict, what failed and why, what to do next, where the report is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen
from textual.widgets import Footer, OptionList
from textual.widgets.option_list import Option

from benchctl import shipped
from benchctl.report import words
from benchctl.report.advice import next_steps
from benchctl.report.key_figures import key_figures
from benchctl.report.write import FILES
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Verdict, readable
from benchctl.tui.again import UNSURE, changes
from benchctl.tui.link import PRACTICE
from benchctl.tui.widgets.boards import board_line
from benchctl.tui.widgets.lines import Line, Lines, fit, joined, line, right, wrapped
from benchctl.tui.widgets.readings import bar, reading_lines
from benchctl.tui.widgets.stages import TONES

if TYPE_CHECKING:
    from benchctl.tui.screens.run import RunScreen


def verdict_lines(
    s: Summary,
    folder: Path | None,
    width: int,
    *,
    before: Summary | None = None,
    problem: str = "",
    repeatable: bool = False,
    hidden: bool = False,
    guess: str = "",
) -> list[Line]:
    """The whole page. before: the run that this one has repeated in part. problem: what kept the run from beginning.
    repeatable: a key runs again what did not pass. hidden: it was a practice pair; guess: what was taken to be wrong.
    """
    wide = min(width, 110)
    if not s.started:
        return _not_begun(problem, wide)
    secret = hidden and not guess
    groups = [
        _headline(s, wide, hidden=secret),
        _practice(s, guess, wide) if hidden else [],
        [] if secret else _next(s, wide, before, repeatable),
        changes(before, s, wide) if before is not None else [],
        _key_figures(s, wide),
        _failures(s, wide),
        [] if secret else _findings(s, wide),
        _untested(s, wide),
        _stages(s, wide),
        [] if secret else _record(s, folder, wide),
    ]
    return joined(groups)


def _not_begun(problem: str, width: int) -> list[Line]:
    if not problem:
        return [line(("· NOT BEGUN: the bench is being opened", "strong"))]
    return [
        line(("✗ THE RUN COULD NOT BEGIN", "bad")),
        *wrapped(words.sentence(problem), width),
        (),
        *wrapped("See to that, then T tries again; nothing was measured, moved or recorded.", width, "strong"),
    ]


def _practice(s: Summary, guess: str, width: int) -> list[Line]:
    """Ask for a guess; after it, what it was."""
    if not guess:
        text = "Something was wrong with this pair. What was it? Go by the readings below, then press G and say."
        return wrapped(text, width, "warn")
    said, was = readable(guess.replace("-", " ")), readable(s.bench.replace("-", " "))
    if guess == s.bench:
        return wrapped(f"✓ Right: it was “{was}”.", width, "good")
    return wrapped(f"✗ You said “{said}”; it was “{was}”. The causes below say by what it can be told.", width, "warn")


def _headline(s: Summary, width: int, *, hidden: bool = False) -> list[Line]:
    outcome = s.outcome
    said = f"{outcome.sign} {str(outcome).upper()}" if outcome else "▸ STILL RUNNING"
    tone = TONES.get(str(outcome), "strong")
    bench = PRACTICE if hidden else s.bench
    told = f"   {s.procedure} on {bench}, {words.when(s)}, {words.duration(s.seconds or s.t)}"
    out = [line((said, tone), told)]
    if s.simulated:
        out += wrapped(words.NOTHING_REAL, width, "note")
    for text in words.interruptions(s):
        out += wrapped(f"! {text}", width, "warn")
    for note in s.notes:
        sign, tone = ("!", "warn") if note.level == "warning" else ("·", "soft")
        out += wrapped(f"{sign} {words.clean(note.text)}", width, tone)
    return out + [board_line(b, width) for b in s.boards.values()]


def _head(title: str) -> Line:
    return line((title, "strong"))


def titled(stage: StageSummary) -> str:
    """The stage's title; with its name where the procedure gave it one of its own."""
    name = readable(stage.name)
    if not stage.title or stage.title.lower() == name.lower() or stage.name == stage.kind:
        return stage.title or name
    return f"{stage.title} ({name})"


def _failures(s: Summary, width: int) -> list[Line]:
    bad = [st for st in s.stages.values() if st.verdict in UNSURE]
    out: list[Line] = [_head("What failed and why")] if bad else []
    for stage in bad:
        told = f"{titled(stage)}: {stage.word}. {words.sentence(words.clean(stage.reason))}"
        out += wrapped(told, width, TONES[stage.word], f"{stage.sign} ", "  ")
        for reading in stage.readings.values():
            if reading.verdict in UNSURE:
                whose = readable(reading.subject)
                out += [line(("  ", ""), (whose, "soft"))] if whose else []
                out += [(("  ", ""), *row) for row in reading_lines(reading, False, width - 2)]
    return out


def _findings(s: Summary, width: int) -> list[Line]:
    found = s.findings or s.so_far
    out: list[Line] = [_head("Likely causes" if s.findings else "Likely causes so far; later stages may change them")]
    out += wrapped(words.several(s), width, "soft") if words.several(s) else []
    for f in found:
        where = f" on {s.label(f.board)}" if f.board else ""
        out += wrapped(f"{f.rank}. {words.clean(f.title)}{where}, {words.confidence(f.confidence)}", width, "warn")
        out += wrapped(f"do: {words.clean(f.remedy)}", width, "", "   ", "       ")
        for text in f.evidence:
            out += wrapped(words.clean(text), width, "soft", "   + ", "     ")
        for text in f.against:
            out += wrapped(words.clean(text), width, "soft", "   − ", "     ")
        if f.explanation:
            out += wrapped(words.clean(f.explanation), width, "soft", "   ", "   ")
        if f.next_test:
            out += wrapped(f"to be sure: {words.clean(f.next_test)}", width, "soft", "   ", "   ")
    return out if found else []


def _next(s: Summary, width: int, before: Summary | None, repeatable: bool) -> list[Line]:
    out = [_head("What to do next")]
    steps = next_steps(s)
    if before is not None and s.outcome is Verdict.PASS:
        steps = [f"What failed passes now. Run the whole {before.procedure.removesuffix('-again')} for a verdict."]
    elif repeatable:
        steps = [*steps, "T runs what did not pass once more, with what it needs, and shows before and after."]
    for number, text in enumerate(steps, 1):
        out += wrapped(text, width, "", f"{number}. ", "   ")
    return out


def _key_figures(s: Summary, width: int) -> list[Line]:
    out: list[Line] = []
    for f in key_figures(s):
        value_width = 13
        name = fit(f"{f.title}, {f.whose}" if f.whose else f.title, 28)
        if f.reading is None:
            out.append(line(f"· {name}", (right(f.value, value_width), "soft")))
            continue
        tone = TONES.get(str(f.reading.verdict), "") if f.reading.limit else ""
        sign = f.reading.verdict.sign if f.reading.verdict and f.reading.limit else "·"
        drawn = bar(f.reading, min(17, max(5, width - 60)))
        out.append(line((f"{sign} ", tone), name, (right(f.value, value_width), "strong"), (f" {drawn}", tone),
                        (f" {words.limit(f.reading)}", "soft")))  # fmt: skip
    return [_head("Key figures"), *out] if out else []


def _untested(s: Summary, width: int) -> list[Line]:
    found = words.untested(s)
    out: list[Line] = [_head("Not tested")] if found else []
    for names, reason in found:
        out += wrapped(f"{names}: {words.clean(reason)}.", width, "soft", "– ", "  ")
    return out


def _stages(s: Summary, width: int) -> list[Line]:
    done = [st for st in s.stages.values() if st.verdict is Verdict.PASS]
    return [_head("Passed"), *(_passed(st) for st in done)] if done else []


def _passed(stage: StageSummary) -> Line:
    count = words.many(len(stage.readings), "reading")
    return line(
        (f"{stage.sign} {stage.title or stage.name}", "good"), (f"   {count}, {words.duration(stage.seconds)}", "soft")
    )


def _record(s: Summary, folder: Path | None, width: int) -> list[Line]:
    if folder is None:
        return []
    out = [_head("Record")]
    if s.outcome is not None:
        out += wrapped(str(folder / FILES["html"]), width, "", "report  ", "        ")
    return out + wrapped(str(folder), width, "soft", "folder  ", "        ")


class VerdictPane(Lines):
    can_focus = True

    def __init__(self, summary: Summary, folder: Path | None, of: RunScreen | None) -> None:
        super().__init__(id="verdict")
        self.summary = summary
        self.folder = folder
        self._of = of

    def on_mount(self) -> None:
        if self.summary.outcome is None:
            self.set_interval(1.0, self.renew)

    def build(self, width: int, height: int) -> list[Line]:
        link = self._of.link if self._of is not None else None
        before, problem = (link.choice.before, link.error) if link is not None else (None, "")
        repeatable = self._of is not None and bool(self._of.check_action("again", ()))
        return verdict_lines(
            self.summary,
            self.folder,
            width,
            before=before,
            problem=problem,
            repeatable=repeatable,
            hidden=link is not None and link.choice.hidden,
            guess=link.guess if link is not None else "",
        )


class GuessScreen(ModalScreen[str | None]):
    """What may be wrong with a practice pair. Gives the bench's name, or None."""

    BINDINGS: ClassVar = [Binding("escape", "dismiss", "Back")]

    def compose(self) -> ComposeResult:
        faults = OptionList(
            *(Option(name.replace("-", " "), id=name) for name in shipped.faulty_benches()), id="files", markup=False
        )
        faults.border_title = "What is wrong with it? Enter takes it, Esc goes back"
        yield Vertical(faults, id="dialog")

    @on(OptionList.OptionSelected)
    def _taken(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(event.option.id)


class VerdictScreen(Screen[None]):
    """Of the run that has just ended, of one that is going on, or of a past one."""

    BINDINGS: ClassVar = [
        Binding("t", "again", "Try again"),
        Binding("g", "guess", "Guess the fault"),
        Binding("o", "open", "Open the report"),
        Binding("h", "app.history", "Past runs"),
        Binding("escape", "dismiss_screen", "Back"),
    ]

    def __init__(self, summary: Summary, folder: Path | None, of: RunScreen | None = None) -> None:
        """of: the screen of the run, where it was performed in this program: it can be tried again from here."""
        super().__init__()
        self.summary = summary
        self.folder = folder
        self._of = of

    def compose(self) -> ComposeResult:
        yield VerdictPane(self.summary, self.folder, self._of)
        yield Footer(show_command_palette=False)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Tried again is only what was performed here, has ended, and did not pass."""
        if action == "guess":
            return self._of is not None and self._of.link.secret and self.summary.outcome is not None
        return action != "again" or (self._of is not None and bool(self._of.check_action("again", ())))

    def action_guess(self) -> None:
        self.app.push_screen(GuessScreen(), self._guessed)

    def _guessed(self, name: str | None) -> None:
        if name and self._of is not None:
            self._of.link.guess = name
            self.query_one(VerdictPane).renew()
            self.refresh_bindings()

    def action_again(self) -> None:
        if self._of is not None:
            self._of.action_again()

    def action_open(self) -> None:
        """In the system's browser; the path is on the screen for machines that have none."""
        report = self.folder / FILES["html"] if self.folder else None
        if report is None or not report.is_file():
            self.notify("There is no report yet; it is written when the run has ended.", severity="warning")
            return
        self.app.open_url(report.resolve().as_uri())

    def action_dismiss_screen(self) -> None:
        self.dismiss()
