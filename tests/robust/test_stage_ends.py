"""How a stage may end: stopped, by an error of ours, by answers that cannot be, by a prompt answered at once."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from queue import SimpleQueue
from threading import Thread

import pytest
from helpers import IDENTIFY, Collected, FakeBench, answer
from hostile import alone

from benchctl import events as ev
from benchctl.errors import InternalError, OperatorAbsent, Stopped, UsageError
from benchctl.headless import terminal_operator
from benchctl.operators import PersonOperator
from benchctl.procedure.runner import Runner
from benchctl.stages.contract import Context
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.base import Answer, Request


def performed(perform: Callable[[Context], None]) -> tuple[Collected, FakeBench, BaseException | None]:
    """The events of a run of one stage that does this, on a board that says who it is."""
    bench = FakeBench({Role.HAND: _known, Role.CRAFT: _known})
    heard, procedure = Collected(), alone("identity")
    step = procedure.steps[0]
    steps = (replace(step, stage=replace(step.stage, perform=perform)),)
    try:
        Runner(replace(procedure, steps=steps), bench, heard).run()
    except (InternalError, Stopped) as e:
        return heard, bench, e
    return heard, bench, None


def _known(asked: Request[Answer]) -> list[bytes]:
    told = IDENTIFY if isinstance(asked, msg.Identify) else dict.fromkeys(asked.ANSWER.FIELDS, 0)
    return [answer(asked, **told)]


def test_a_stopped_stage_has_the_time_it_took() -> None:
    def perform(ctx: Context) -> None:
        ctx.wait(7.0)
        raise Stopped("stopped")

    heard, _, error = performed(perform)

    assert isinstance(error, Stopped)
    assert heard.of(ev.StageEnded)[0].seconds == pytest.approx(7.0, abs=0.5)


def test_a_request_that_cannot_be_sent_is_our_fault_not_the_boards() -> None:
    """It ends the run as a fault of the program, and no board is said to have answered anything."""
    _, _, error = performed(lambda ctx: ctx.board(Role.HAND).ask(msg.Pulse(channel=300, width_us=1)) and None)

    assert isinstance(error, InternalError)
    assert "message pulse" in str(error)


def test_what_cannot_be_worked_out_is_told_with_its_own_sentence() -> None:
    def perform(ctx: Context) -> None:
        raise UsageError("all samples are the same")

    heard, _, error = performed(perform)
    ended = heard.of(ev.StageEnded)[0]

    assert error is None
    assert ended.verdict is Verdict.UNDECIDED
    assert ended.reason == "what was measured cannot be worked out: all samples are the same"


def test_a_prompt_can_be_answered_as_soon_as_it_is_seen() -> None:
    """Whoever reads a prompt's event answers at once: that answer counts."""
    open_ids: list[int] = []
    person = PersonOperator(lambda prompt: open_ids.append(prompt.id))
    got: list[str] = []

    class Reader(Collected):
        def __call__(self, event: ev.Event) -> None:
            super().__call__(event)
            if isinstance(event, ev.Prompt) and event.id in open_ids:
                person.give(event.id, "42")

    bench = FakeBench({Role.HAND: _known})
    bench.operator = person
    ctx = Context("x", bench, {}, {}, Reader())
    got.append(ctx.ask(ev.PromptKind.NUMBER, "How many?", "meter", timeout_s=1.0))

    assert got == ["42"]


def test_typed_lines_nobody_asked_for_do_no_harm() -> None:
    """A line before any prompt, and one after its prompt was withdrawn, go nowhere; the next one answers."""
    lines: SimpleQueue[str] = SimpleQueue()
    person = terminal_operator(iter(lines.get, "end"))  # type: ignore[arg-type]
    first, second = (ev.Prompt(0.0, "x", n, ev.PromptKind.NUMBER, "?", "meter") for n in (1, 2))
    lines.put("early")
    person.show(first)
    person.withdraw(first)
    lines.put("late")
    person.show(second)
    while not (got := person.answer_nowait(second)):
        lines.put("7")

    assert got in ("late", "7")


@pytest.mark.parametrize(("typed", "told"), [("done", "done"), ("D", "done"), ("stop here", None), ("s", None)])
def test_what_is_to_be_done_waits_for_the_person_at_the_terminal(typed: str, told: str | None) -> None:
    """Where no board can see it, the person says that it is done; anything else ends the stage, and never passes it."""
    lines: SimpleQueue[str] = SimpleQueue()
    bench = FakeBench({Role.HAND: _known})
    bench.operator = terminal_operator(iter(lines.get, "end"))  # type: ignore[arg-type]
    ctx = Context("x", bench, {}, {}, Collected())
    asked = Thread(target=lambda: _typed_when_asked(ctx, lines, typed))
    asked.start()
    if told is None:
        with pytest.raises(OperatorAbsent, match="it was not done"):
            ctx.ask(ev.PromptKind.DO, "Switch the servos' own supply on now.", "feed_servos", timeout_s=math.inf)
    else:
        said = ctx.ask(ev.PromptKind.DO, "Switch the servos' own supply on now.", "feed_servos", timeout_s=math.inf)
        assert said == told
    lines.put("end")
    asked.join()


def _typed_when_asked(ctx: Context, lines: SimpleQueue[str], typed: str) -> None:
    while not [e for e in ctx.emit.events if isinstance(e, ev.Prompt)]:  # type: ignore[attr-defined]
        time.sleep(0.001)
    lines.put(typed)


def test_no_stage_waits_for_words_where_none_can_be_given() -> None:
    """A prompt that a board ticks off takes no answer at a terminal: to wait for one would last until time is up."""
    _, _, error = performed(lambda ctx: ctx.answer(ctx.prompt(ev.PromptKind.DO, "Pull the plug.", "unplug")) and None)

    assert isinstance(error, InternalError)
    assert "Pull the plug" in str(error)
