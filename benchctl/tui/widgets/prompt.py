"""What the operator is asked, with the place drawn beside it and room for the answer; else what the run has to tell.

Whoever has to answer finds the question in the middle of the screen; what the modelled person answers stays below.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.cells import cell_len
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Button, Input

from benchctl import events as ev
from benchctl.report import words
from benchctl.runs.summary import Summary
from benchctl.terms import readable
from benchctl.tui.widgets.lines import Line, Lines, fit, line, plain, wrapped
from benchctl.units import shown

#: what the field asks for, by kind of prompt
_HINTS = {
    ev.PromptKind.COUNT: "the number you counted",
    ev.PromptKind.WORD: "the word, as it is written above",
    ev.PromptKind.NUMBER: "what the meter shows",
    ev.PromptKind.CHOICE: "the number of your choice",
    ev.PromptKind.TEXT: "your answer",
    ev.PromptKind.DO: "the number of your choice",
}
_NO = "no"
#: the panel's height where nothing needs more
_LEAST_ROWS = 5
#: cells between words and drawing; fewer cells for the words than the second are too few
_GAP, _LEAST_WORDS = 3, 28
#: levels of notes that have another place
_NOT_HERE = ("caution", "drawing")


def told(summary: Summary, width: int, height: int, *, secret: bool = False) -> list[Line]:
    """Causes, while the run goes on as they firm up, then the latest notes of the run. secret: without the causes."""
    out: list[Line] = []
    provisional = not summary.findings
    for finding in () if secret else summary.so_far if provisional else summary.findings:
        where = f" ({summary.label(finding.board)})" if finding.board else ""
        text = f"{finding.rank}. {finding.title}{where}, {words.confidence(finding.confidence)}: {finding.remedy}"
        out += wrapped(words.clean(f"so far: {text}" if provisional else text), width, "warn", "", "   ")
    if len(out) >= height > 1:  # one line is for the latest note
        out = [*out[: height - 2], line((fit(f"{plain(out[height - 2])} …", width), "warn"))]
    notes = [*summary.notes, *(n for s in summary.stages.values() for n in s.notes if n.level not in _NOT_HERE)]
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
        self.hero = False
        self.secret = False
        self.now = 0.0

    def build(self, width: int, height: int) -> list[Line]:
        if not self.prompts:
            return told(self.summary, width, height, secret=self.secret)
        words_ = questions(self.prompts, self.asked, width, apart=self.hero)
        if not self.hero:
            return words_
        around = height - len(words_)
        before, after = _around(self.summary, self.prompts, self.now, width)
        if around < len(before) + len(after) + 2:
            return words_ if around < len(before) else [*before, *words_]
        return [*before, *[()] * ((around - len(before) - len(after)) // 2), *words_, (), *after]


def _around(summary: Summary, prompts: Sequence[ev.Prompt], now: float, width: int) -> tuple[list[Line], list[Line]]:
    """The stage above the question; below it how far what is to be done has come, and until when there is time."""
    stage = summary.stages.get(prompts[-1].stage)
    if stage is None:
        return [], []
    below: list[Line] = []
    step = stage.progress
    if step is not None and step.total > 0 and step.t >= prompts[0].t:
        below.append(line(("█" * round(20 * min(1.0, step.done / step.total)), "note"), f" {readable(step.text)}"))
    end = min(p.t + p.timeout_s for p in prompts)
    below.append(line((fit(f"{words.duration(max(0.0, end - now))} left for this", width), "soft")))
    return [line((fit(stage.title or readable(stage.name), width), "note")), ()], below


def questions(prompts: Sequence[ev.Prompt], asked: ev.Prompt | None, width: int, *, apart: bool = False) -> list[Line]:
    """What is to be done first, then what is to be answered. apart: every choice on a line of its own."""
    out: list[Line] = []
    for prompt in sorted(prompts, key=lambda p: p.kind is not ev.PromptKind.DO):
        text = words.clean(prompt.text)
        choices = [f"{i} {c}" for i, c in enumerate(prompt.choices, 1)]
        if choices and not apart:
            text = "  ".join((text, *choices))
        doing = prompt.kind is ev.PromptKind.DO
        out += [()] if out and apart else []
        out += wrapped(text, width, "strong" if doing or prompt is asked else "", "► " if doing else "? ", "  ")
        for choice in choices if apart else ():
            out += wrapped(choice, width, "", "  ", "    ")
    last = prompts[-1]
    if asked is None and last.awaits_answer:
        out += wrapped("The modelled person answers this one.", width, "soft", "  ", "  ")
    elif asked is None and len(prompts) == 1:
        out += wrapped("Nothing to type: the boards measure that it was done.", width, "soft", "  ", "  ")
    return out


class PlacePane(Lines):
    """Where on the boards a question means."""

    def __init__(self) -> None:
        super().__init__(id="place")
        self.drawing: list[Line] = []

    def build(self, width: int, height: int) -> list[Line]:
        return [*[()] * ((height - len(self.drawing)) // 2), *self.drawing]


class PromptPanel(Vertical):
    """Shows the open prompts and takes the answer to the oldest that wants one."""

    class Answered(Message):
        """The person has answered prompt `prompt_id`."""

        def __init__(self, prompt_id: int, text: str) -> None:
            super().__init__()
            self.prompt_id = prompt_id
            self.text = text

    BINDINGS: ClassVar = [
        Binding("escape", "leave_field", "Leave the field"),
        Binding("pageup", "scroll(-1)", show=False),
        Binding("pagedown", "scroll(1)", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked: ev.Prompt | None = None
        self._answered: set[int] = set()
        self._rows = -1  # not known yet
        #: causes are not told yet: they are to be guessed
        self.secret = False
        self._talk, self._place = Talk(), PlacePane()
        self._question = Horizontal(self._talk, self._place, id="question")
        self._field = Input(id="field", compact=True)

    def compose(self) -> ComposeResult:
        yield self._question
        with Horizontal(id="answer"):
            yield self._field
            yield Button("Answer", id="give", compact=True)
            yield Button("No, or I cannot", id="refuse", compact=True)

    def update(
        self,
        summary: Summary,
        asks_person: Callable[[ev.Prompt], bool],
        now: float = 0.0,
        draw: Callable[[ev.Prompt, int], list[Line]] | None = None,
        *,
        hero: bool = False,
    ) -> None:
        """Show the state; the field appears with a prompt that the person answers, and takes the focus.

        draw: makes the drawing of a prompt's place, of so many rows. hero: the panel has the middle of the screen.
        """
        prompts = tuple(p for p in summary.prompts.values() if p.id not in self._answered)
        wanted = next((p for p in prompts if asks_person(p)), None)
        talk = self._talk
        talk.secret = self.secret
        talk.summary, talk.prompts, talk.asked, talk.hero, talk.now = summary, prompts, wanted, hero, now
        if (wanted and wanted.id) != (self._asked and self._asked.id):
            self._ask(wanted)
        self._make_room(prompts, wanted, hero)
        self._draw(prompts, wanted, draw if hero else None)
        talk.renew()

    def open_prompts(self, summary: Summary) -> list[ev.Prompt]:
        """What is asked and has not been answered here."""
        return [p for p in summary.prompts.values() if p.id not in self._answered]

    def _make_room(self, prompts: Sequence[ev.Prompt], wanted: ev.Prompt | None, hero: bool) -> None:
        """So high that no word of a question is cut; all the room there is in the middle of the screen."""
        width = self._question.size.width
        rows = len(questions(prompts, wanted, width)) + (wanted is not None) if prompts and width else 0
        height = 0 if hero else max(_LEAST_ROWS, rows + 1)  # and the line above it
        if height != self._rows:
            self._rows = height
            self.styles.height = height or "1fr"

    def _draw(
        self,
        prompts: Sequence[ev.Prompt],
        wanted: ev.Prompt | None,
        draw: Callable[[ev.Prompt, int], list[Line]] | None,
    ) -> None:
        """The place beside the words where both have room; the words come first."""
        pane, room = self._place, self._question.size
        of = wanted or (prompts[-1] if prompts else None)
        found = draw(of, room.height) if draw is not None and of is not None else []
        wide = max((cell_len(plain(row)) for row in found), default=0)
        left = room.width - wide - _GAP
        fits = wide and left >= _LEAST_WORDS and len(questions(prompts, wanted, left - 1, apart=True)) <= room.height
        pane.drawing = found if fits else []
        pane.set_class(bool(fits), "-drawn")
        if fits:
            pane.styles.width = wide
            pane.renew()

    def _ask(self, prompt: ev.Prompt | None) -> None:
        self._asked = prompt
        self.set_class(prompt is not None, "-asking")
        field = self._field
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
        text = self._field.value.strip()
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

    def action_scroll(self, pages: int) -> None:
        talk = self._talk
        talk.scroll_relative(y=pages * max(1, talk.size.height - 1), animate=False)

    def action_leave_field(self) -> None:
        self.screen.set_focus(None)
