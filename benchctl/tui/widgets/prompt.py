"""The panel below: what the operator is asked, with room for the answer; else what the run has to tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Button, Input

from benchctl import events as ev
from benchctl.report import words
from benchctl.runs.summary import Summary
from benchctl.tui.widgets.lines import Line, Lines, fit, line, plain, wrapped
from benchctl.units import shown

#: what the field asks for, by kind of prompt
_HINTS = {
    ev.PromptKind.COUNT: "the number you counted",
    ev.PromptKind.WORD: "the word, as it is written above",
    ev.PromptKind.NUMBER: "what the meter shows",
    ev.PromptKind.CHOICE: "the number of your choice",
}
_NO = "no"


def told(summary: Summary, width: int, height: int) -> list[Line]:
    """Causes, while the run goes on as they firm up, then the latest notes of the run."""
    out: list[Line] = []
    provisional = not summary.findings
    for finding in summary.so_far if provisional else summary.findings:
        where = f" ({summary.label(finding.board)})" if finding.board else ""
        text = f"{finding.rank}. {finding.title}{where}, {words.confidence(finding.confidence)}: {finding.remedy}"
        out += wrapped(words.clean(f"so far: {text}" if provisional else text), width, "warn", "", "   ")
    if len(out) >= height > 1:  # one line is for the latest note
        out = [*out[: height - 2], line((fit(f"{plain(out[height - 2])} …", width), "warn"))]
    notes = [*summary.notes, *(n for s in summary.stages.values() for n in s.notes if n.level != "caution")]
    return [*out, *_latest(sorted(notes, key=lambda n: n.t), width, height - len(out))]


def _latest(notes: Sequence[ev.Note], width: int, room: int) -> list[Line]:
    """The latest notes that there is room for in full, what came several times once; of a longer one its beginning."""
    out: list[Line] = []
    for note in reversed({n.text: n for n in notes}.values()):
        mark, tone = ("!", "warn") if note.level == "warning" else ("·", "soft")
        rows = wrapped(f"{words.clock(note.t)}  {words.clean(note.text)}", width, tone, f"{mark} ", " " * 12)
        if len(out) + len(rows) > room:
            return out or rows[: max(0, room)]
        out = rows + out
    return out


class Talk(Lines):
    """The words of the panel."""

    def __init__(self) -> None:
        super().__init__(id="talk")
        self.summary = Summary()
        self.prompts: tuple[ev.Prompt, ...] = ()
        self.asked: ev.Prompt | None = None

    def build(self, width: int, height: int) -> list[Line]:
        if not self.prompts:
            return told(self.summary, width, height)
        return _questions(self.prompts, self.asked, width)


def _questions(prompts: Sequence[ev.Prompt], asked: ev.Prompt | None, width: int) -> list[Line]:
    """What is to be done first, then what is to be answered."""
    out: list[Line] = []
    for prompt in sorted(prompts, key=lambda p: p.kind is not ev.PromptKind.DO):
        text = words.clean(prompt.text)
        if prompt.choices:
            text += "  " + "  ".join(f"{i} {c}" for i, c in enumerate(prompt.choices, 1))
        doing = prompt.kind is ev.PromptKind.DO
        out += wrapped(text, width, "strong" if doing or prompt is asked else "", "► " if doing else "? ", "  ")
    last = prompts[-1]
    if asked is None and last.kind is not ev.PromptKind.DO:
        out.append(line(("  The modelled person answers this one.", "soft")))
    elif asked is None and len(prompts) == 1:
        out.append(line(("  Nothing to type: the boards measure that it was done.", "soft")))
    return out


class PromptPanel(Vertical):
    """Shows the open prompts and takes the answer to the oldest that wants one."""

    class Answered(Message):
        """The person has answered prompt `prompt_id`."""

        def __init__(self, prompt_id: int, text: str) -> None:
            super().__init__()
            self.prompt_id = prompt_id
            self.text = text

    BINDINGS: ClassVar = [("escape", "leave_field", "Leave the field")]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked: ev.Prompt | None = None
        self._answered: set[int] = set()

    def compose(self) -> ComposeResult:
        yield Talk()
        with Horizontal(id="answer"):
            yield Input(id="field", compact=True)
            yield Button("Answer", id="give", compact=True)
            yield Button("No, or I cannot", id="refuse", compact=True)

    def update(self, summary: Summary, asks_person: Callable[[ev.Prompt], bool]) -> None:
        """Show the state; the field appears with a prompt that the person answers, and takes the focus."""
        prompts = tuple(p for p in summary.prompts.values() if p.id not in self._answered)
        wanted = next((p for p in prompts if asks_person(p)), None)
        talk = self.query_one(Talk)
        talk.summary, talk.prompts, talk.asked = summary, prompts, wanted
        if (wanted and wanted.id) != (self._asked and self._asked.id):
            self._ask(wanted)
        talk.renew()

    def _ask(self, prompt: ev.Prompt | None) -> None:
        self._asked = prompt
        self.set_class(prompt is not None, "-asking")
        field = self.query_one("#field", Input)
        field.clear()
        if prompt is None:
            if field.has_focus or self.has_focus_within:
                self.screen.set_focus(None)
            return
        unit = f" in {shown(prompt.unit)}" if prompt.unit else ""
        field.placeholder = _HINTS.get(prompt.kind, "") + unit
        field.focus()

    @on(Input.Submitted, "#field")
    @on(Button.Pressed, "#give")
    def _give(self) -> None:
        text = self.query_one("#field", Input).value.strip()
        if not text:
            self.notify("Type an answer first, or choose “No, or I cannot”.", severity="warning")
            return
        self._send(text)

    @on(Button.Pressed, "#refuse")
    def _refuse(self) -> None:
        self._send(_NO)

    def _send(self, text: str) -> None:
        prompt = self._asked
        if prompt is None:
            return
        if prompt.choices and text.isdigit() and 1 <= int(text) <= len(prompt.choices):
            text = prompt.choices[int(text) - 1]
        self._answered.add(prompt.id)
        self._ask(None)
        self.post_message(self.Answered(prompt.id, text))

    def action_leave_field(self) -> None:
        self.screen.set_focus(None)
