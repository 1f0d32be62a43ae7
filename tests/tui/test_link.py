"""The link between a run and the screens: batches, answers, pace, stop."""

from __future__ import annotations

import itertools
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import stories
from helpers_runs import CRAFT, HAND, healthy_run

from benchctl import events as ev
from benchctl.benches import open_bench
from benchctl.errors import OperatorAbsent
from benchctl.operate import Operation, default_root
from benchctl.operators import PersonOperator
from benchctl.runs.summary import summarise
from benchctl.terms import Reading, Verdict
from benchctl.tui import link as link_module
from benchctl.tui.link import Batch, Choice, Rehearsal, RunLink


def provisional(value: float) -> ev.ReadingTaken:
    return ev.ReadingTaken(value, "link", Reading("loss", value, "%"), False)


def test_only_the_latest_of_what_is_replaced() -> None:
    """A hundred thousand events of progress leave one; everything that counts stays, in order."""
    batch = Batch()
    batch.put(ev.Note(0, "link", "first"))
    for i in range(100_000):
        batch.put(ev.Progress(i, "link", i, 100_000))
        batch.put(provisional(i / 1000))
        batch.put(ev.BoardHealth(i, HAND, 5.0, i, 0, 0))
    batch.put(ev.Note(1, "link", "last"))
    taken = batch.take()

    assert [type(e).__name__ for e in taken] == ["Note", "Progress", "ReadingTaken", "BoardHealth", "Note"]
    assert taken[1].done == 99_999
    assert batch.take() == []


def test_final_readings_and_other_stages_are_kept() -> None:
    """Progress of two stages, and every final reading, are separate things."""
    batch = Batch()
    told = [ev.Progress(0, "a", 1, 2), ev.Progress(0, "b", 1, 2), provisional(1.0)]
    told += [ev.ReadingTaken(0, "link", Reading("loss", v, "%")) for v in (1.0, 2.0)]
    for event in told:
        batch.put(event)

    assert told == batch.take()


def test_batches_fold_to_the_same_summary() -> None:
    """What the screens fold from batches is what the log's reader folds from the whole run."""
    events = healthy_run()
    batch, seen = Batch(), []
    for i, event in enumerate(events):
        batch.put(event)
        if i % 7 == 0:
            seen += batch.take()
    seen += batch.take()

    assert summarise(events) == summarise(seen)


def test_batch_from_two_threads() -> None:
    """Nothing is lost between a thread that puts and one that takes."""
    batch = Batch()
    taken: list[ev.Event] = []

    def put() -> None:
        for i in range(20_000):
            batch.put(ev.Note(i, "link", str(i)))

    thread = threading.Thread(target=put)
    thread.start()
    while thread.is_alive():
        taken += batch.take()
    thread.join()
    taken += batch.take()

    assert [str(i) for i in range(20_000)] == [e.text for e in taken]


def prompt(kind: ev.PromptKind, number: int = 1) -> ev.Prompt:
    return ev.Prompt(0.0, "before_power", number, kind, "?", "attest", CRAFT)


class Modelled:
    by = "simulated"

    def __init__(self) -> None:
        self.seen: list[tuple[str, int]] = []

    def show(self, p: ev.Prompt) -> None:
        self.seen.append(("show", p.id))

    def answer_nowait(self, p: ev.Prompt) -> str | None:
        return "modelled"

    def withdraw(self, p: ev.Prompt) -> None:
        self.seen.append(("withdraw", p.id))


def test_rehearsal_divides_the_work() -> None:
    """Words are the person's; what takes hands, eyes or a meter on a modelled board is the modelled person's."""
    asked: list[int] = []
    modelled = Modelled()
    operator = Rehearsal(modelled, lambda p: asked.append(p.id), lambda p: asked.remove(p.id))
    word, count = prompt(ev.PromptKind.WORD, 1), prompt(ev.PromptKind.COUNT, 2)
    operator.show(word)
    operator.show(count)

    assert asked == [1]
    assert operator.answer_nowait(word) is None
    assert operator.answer_nowait(count) == "modelled"
    operator.give(1, "heron")
    assert operator.answer_nowait(word) == "heron"
    operator.withdraw(word)
    operator.withdraw(count)
    assert asked == []
    assert modelled.seen == [("show", 2), ("withdraw", 2)]


@pytest.mark.parametrize(("choices", "modelled", "awaited"), [
    ((), False, False), ((ev.DONE, ev.NOT_DONE), False, True), ((ev.DONE, ev.NOT_DONE), True, False),
])  # fmt: skip
def test_who_says_that_it_is_done(tmp_path: Path, choices: tuple[str, ...], modelled: bool, awaited: bool) -> None:
    """On real boards the person at the screen, where no board can see it; on modelled ones the modelled person."""
    link = link_to(tmp_path)
    show, hide = (lambda p: None), (lambda p: None)
    link.person = Rehearsal(Modelled(), show, hide) if modelled else PersonOperator(show, hide)
    asked = ev.Prompt(0.0, "outputs", 1, ev.PromptKind.DO, "Switch it on.", "feed_servos", CRAFT, choices=choices)

    assert link.answers_by_person(asked) is awaited


def link_to(root: Path, **more: Any) -> RunLink:
    return RunLink(Choice(stories.procedure("radio-link"), "sim", 1, **more), root, lambda: None, speed=0.0)


def test_whole_run(tmp_path: Path) -> None:
    """A run through the link ends with a result, a record and curves for the plots."""
    link = link_to(tmp_path)
    link.start()

    assert link.join(60)
    assert link.error == ""
    assert link.result is not None
    assert link.result.exit_code == 0
    assert summarise(link.batch.take()).verdict == "pass"
    assert any(stage == "link" for stage, _ in link.curves)


def test_time_is_real_while_a_person_is_asked(tmp_path: Path) -> None:
    """However fast the run is set, an open question of the person's lets time pass as it really does."""
    link = link_to(tmp_path)
    asked = prompt(ev.PromptKind.WORD)
    link._ask(asked)

    assert link._pace.speed == 1.0
    link.set_speed(10.0)
    assert link._pace.speed == 1.0
    link._asked_no_more(asked)
    assert link._pace.speed == 10.0


def test_stop_before_the_bench_is_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stop that comes while the bench is still being opened holds for the run that would follow."""
    opening, go_on = threading.Event(), threading.Event()

    def slow(*args: Any, **more: Any) -> Any:
        opening.set()
        go_on.wait(10)
        return open_bench(*args, **more)

    monkeypatch.setattr(link_module, "open_bench", slow)
    link = link_to(tmp_path)
    link.start()
    assert opening.wait(10)
    link.stop("key")
    go_on.set()

    assert link.join(30)
    assert "stopped" in link.error
    summary = summarise(link.batch.take())
    assert summary.stop is not None
    assert all(s.verdict is None for s in summary.stages.values())


def test_failure_becomes_a_sentence(tmp_path: Path) -> None:
    """A bench that cannot be opened ends the link's thread with its sentence."""
    link = RunLink(Choice(stories.procedure("radio-link"), "no-such-bench"), tmp_path, lambda: None)
    link.start()

    assert link.join(30)
    assert "no-such-bench" in link.error
    assert link.result is None


def test_unexpected_failure_becomes_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error nobody foresaw is told as well; a thread must not end in silence."""

    def broken(*args: Any, **more: Any) -> Any:
        raise RuntimeError("out of order")

    monkeypatch.setattr(link_module, "open_bench", broken)
    link = link_to(tmp_path)
    link.start()

    assert link.join(30)
    assert "RuntimeError: out of order" in link.error


@pytest.mark.parametrize("bench", ["sim", "avr"])
def test_pacer_sees_time_in_small_steps(bench: str) -> None:
    """A paced bench reports its time at least every 20 ms or so of it, whatever is waited for."""
    opened: Any = open_bench(bench, seed=1)
    seen: list[float] = []
    opened.pacer = seen.append
    begin = opened.now()
    opened.wait(1.0)
    while opened.now() < begin + 1.5:
        opened.wait_input(begin + 1.5)
    opened.close()
    steps = [b - a for a, b in itertools.pairwise(seen)]

    assert seen[-1] - begin >= 1.4
    assert max(steps) <= 0.025


@pytest.mark.long
def test_pacing_changes_nothing(tmp_path: Path) -> None:
    """The same seed gives the same readings, paced or not."""

    def readings(paced: bool) -> list[tuple[str, str, float]]:
        opened: Any = open_bench("sim", seed=3)
        if paced:
            opened.pacer = lambda now: None
        operation = Operation(stories.procedure("radio-link"), opened, tmp_path / str(paced))
        operation.perform()
        opened.close()
        stages = operation.summary.stages.values()
        return [(s.name, r.name, r.value) for s in stages for r in s.readings.values()]

    plain = readings(False)

    assert len(plain) > 20
    assert repr(plain) == repr(readings(True))


def test_absent_person_is_told(tmp_path: Path) -> None:
    """A person who has left for good ends the question."""
    operator = Rehearsal(Modelled(), lambda p: None, lambda p: None)
    operator.leave("the terminal was closed")

    with pytest.raises(OperatorAbsent, match="terminal was closed"):
        operator.answer_nowait(prompt(ev.PromptKind.WORD))


def test_runs_have_one_place() -> None:
    """The screens look for runs where the command line keeps them."""
    from benchctl.tui.app import BenchApp

    assert BenchApp(look=list).root == default_root()


# ---------------------------------------------------------------------- tables that grow


def growing(t: float, rows: int, name: str = "sweep", *, final: bool = False) -> ev.Samples:
    data = np.column_stack([np.arange(rows), np.arange(rows) * 2.0])
    return ev.Samples(t, "servo", name, "sweep", ("commanded", "delivered"), ("counts", "us"), rows, "", data, final)


def test_a_table_that_grows_is_drawn_until_the_whole_one_comes() -> None:
    link = stories.Replay()
    link.feed([growing(1, 4), growing(2, 9)])

    assert [(t, [len(c.x) for c in found]) for t, found in link.growing("servo")] == [(2, [9])]
    assert link.kept("servo") == []
    assert link.growing("link") == []

    link.feed([growing(3, 9, final=True)])
    assert link.growing("servo") == []
    assert [len(c.x) for c in link.kept("servo")] == [9]


def test_what_no_whole_table_follows_goes_with_its_stage() -> None:
    link = stories.Replay()
    link.feed([growing(1, 4), ev.StageEnded(2, "servo", "joystick_to_servo", Verdict.FAIL, "", 1)])

    assert link.growing("servo") == []


def test_a_flood_of_them_leaves_nothing_in_the_batch() -> None:
    """However often a table is shown, the screen's list of events does not grow by it."""
    link = stories.Replay()
    link.feed(growing(n, 1 + n % 50) for n in range(2000))

    assert link.batch.take() == []
    assert len(link.growing("servo")) == 1
