"""After a run, or while it goes on: the verdict, what failed and why, what to do next, where the report is."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.screen import Screen
from textual.widgets import Footer

from benchctl.report import words
from benchctl.report.write import FILES
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Role, Verdict
from benchctl.tui.widgets.boards import board_line
from benchctl.tui.widgets.lines import Line, Lines, joined, line, wrapped
from benchctl.tui.widgets.readings import reading_lines, split_name
from benchctl.tui.widgets.stages import TONES

_UNSURE = (Verdict.FAIL, Verdict.UNDECIDED)


def verdict_lines(s: Summary, folder: Path | None, width: int) -> list[Line]:
    """The whole page."""
    wide = min(width, 110)
    groups = [
        _headline(s, wide),
        _next(s, wide),
        _failures(s, wide),
        _findings(s, wide),
        _untested(s, wide),
        _stages(s, wide),
        _record(s, folder, wide),
    ]
    return joined(groups)


def _headline(s: Summary, width: int) -> list[Line]:
    outcome = s.outcome
    said = f"{outcome.sign} {str(outcome).upper()}" if outcome else "▸ STILL RUNNING"
    tone = TONES.get(str(outcome), "strong")
    out = [
        line((said, tone), f"   {s.procedure} on {s.bench}, {words.moment(s.wall)}, {words.duration(s.seconds or s.t)}")
    ]
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
    name = words.said(stage.name)
    if not stage.title or stage.title.lower() == name.lower() or stage.name == stage.kind:
        return stage.title or name
    return f"{stage.title} ({name})"


def _failures(s: Summary, width: int) -> list[Line]:
    bad = [st for st in s.stages.values() if st.verdict in _UNSURE]
    out: list[Line] = [_head("What failed and why")] if bad else []
    for stage in bad:
        told = f"{titled(stage)}: {stage.word}. {words.sentence(words.clean(stage.reason))}"
        out += wrapped(told, width, TONES[stage.word], f"{stage.sign} ", "  ")
        for reading in stage.readings.values():
            if reading.verdict in _UNSURE:
                whose = split_name(reading.name)[0]
                out += [line(("  ", ""), (whose, "soft"))] if whose else []
                out += [(("  ", ""), *row) for row in reading_lines(reading, False, width - 2)]
    return out


def _findings(s: Summary, width: int) -> list[Line]:
    found = s.findings or s.so_far
    out: list[Line] = [_head("Likely causes" if s.findings else "Likely causes so far; later stages may change them")]
    for f in found:
        where = f" on {s.label(f.board)}" if f.board else ""
        out += wrapped(f"{f.rank}. {words.clean(f.title)}{where}, {words.confidence(f.confidence)}", width, "warn")
        out += wrapped(f"do: {words.clean(f.remedy)}", width, "", "   ", "       ")
        for text in f.evidence:
            out += wrapped(words.clean(text), width, "soft", "   + ", "     ")
        for text in f.against:
            out += wrapped(words.clean(text), width, "soft", "   − ", "     ")
        if f.next_test:
            out += wrapped(f"to be sure: {words.clean(f.next_test)}", width, "soft", "   ", "   ")
    return out if found else []


def next_steps(s: Summary) -> list[str]:
    """What to do now, most useful first; one sentence each."""
    if s.outcome is None:
        return ["The run is still going on; Esc returns to it."]
    if s.outcome is Verdict.PASS:
        return _after_pass(s)
    out = []
    if s.findings:
        out.append(words.sentence(words.clean(s.findings[0].remedy)))
        if s.findings[0].next_test:
            out.append(words.sentence(words.clean(s.findings[0].next_test)))
    if s.stop is not None:
        out.append("The run was stopped before its end: start it again when the bench is ready.")
    lost = [b for b in s.boards.values() if b.lost or not b.seen]
    if lost and s.stop is None:
        who = words.names([f"{b.role} board" for b in lost])
        out.append(f"Look after the {who}: cable, power, firmware; then run again.")
    if any(a.given is False for a in s.answers):
        out.append("Some questions were left without an answer; stay with the boards and run again.")
    failed = [st for st in s.stages.values() if st.verdict is Verdict.FAIL]
    if failed and not s.findings:
        out.append(f"Mend what “{failed[0].title or failed[0].name}” names below, then run the procedure again.")
    return out or ["Run again; nothing here points at a fault."]


def _after_pass(s: Summary) -> list[str]:
    if s.simulated:
        return ["The rehearsal went through; do the same with real boards on the ports bench."]
    labels = words.names([s.label(r) for r in (Role.HAND, Role.CRAFT) if r in s.boards])
    return [f"{labels}: passed. Keep the report with the boards.", "Next: soak, or the next pair."]


def _next(s: Summary, width: int) -> list[Line]:
    out = [_head("What to do next")]
    for number, text in enumerate(next_steps(s), 1):
        out += wrapped(text, width, "", f"{number}. ", "   ")
    return out


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

    def __init__(self, summary: Summary, folder: Path | None) -> None:
        super().__init__(id="verdict")
        self.summary = summary
        self.folder = folder

    def build(self, width: int, height: int) -> list[Line]:
        return verdict_lines(self.summary, self.folder, width)


class VerdictScreen(Screen[None]):
    """Of the run that has just ended, of one that is going on, or of a past one."""

    BINDINGS: ClassVar = [
        Binding("o", "open", "Open the report"),
        Binding("h", "app.history", "Past runs"),
        Binding("escape", "dismiss_screen", "Back"),
    ]

    def __init__(self, summary: Summary, folder: Path | None) -> None:
        super().__init__()
        self.summary = summary
        self.folder = folder

    def compose(self) -> ComposeResult:
        yield VerdictPane(self.summary, self.folder)
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self.query_one(VerdictPane).focus()
        if self.summary.outcome is None:
            self.set_interval(1.0, self.query_one(VerdictPane).renew)

    def action_open(self) -> None:
        """In the system's browser; the path is on the screen for machines that have none."""
        report = self.folder / FILES["html"] if self.folder else None
        if report is None or not report.is_file():
            self.notify("There is no report yet; it is written when the run has ended.", severity="warning")
            return
        self.app.open_url(report.resolve().as_uri())

    def action_dismiss_screen(self) -> None:
        self.dismiss()
