"""Fix and try again: one key runs what did not pass with what it needs, anew in every respect; before and after in one bar."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import stories
from helpers_runs import failing_run, healthy_run

from benchctl import events as ev
from benchctl.benches import open_bench
from benchctl.operate import Operation
from benchctl.report.advice import next_steps
from benchctl.runs.summary import Summary
from benchctl.safety.attestation import STATEMENTS
from benchctl.terms import Limit, Reading, Role, Verdict
from benchctl.tui.again import again, changes
from benchctl.tui.app import BenchApp
from benchctl.tui.link import Choice
from benchctl.tui.screens.run import RunScreen
from benchctl.tui.screens.verdict import VerdictScreen, verdict_lines
from benchctl.tui.widgets.lines import plain
from benchctl.tui.widgets.readings import bar


def text(rows: Any) -> str:
    return "\n".join(plain(row) for row in rows)


def failed(*names: str) -> Summary:
    s = Summary()
    for name in names:
        s.stage(name).verdict = Verdict.FAIL
    return s


def test_what_is_run_again() -> None:
    """What failed and all that it needs, nothing else; under a name of its own, so that it counts as no whole bring-up."""
    choice = Choice(stories.procedure(), "sim")
    cut = again(choice, failed("controls"))

    assert cut is not None
    names = [s.name for s in cut.procedure.steps]
    assert "controls" in names
    assert "throttle_ramp" not in names
    known = {s.name: s for s in choice.procedure.steps}
    assert all(set(known[n].after) <= set(names) for n in names)
    assert cut.procedure.name == "bring-up-again"
    assert again(cut, failed("controls")).procedure.name == "bring-up-again"
    assert again(choice, Summary()) is None


def test_before_and_after_on_one_bar() -> None:
    """The value of before is an open circle, that of now a full one; each on its side of the limit."""
    reading = Reading("loss", 0.5, "%").judged(Limit(max=1.0), Verdict.PASS)

    assert bar(reading, 11, 3.0) == " ╶───●───┤○"
    assert bar(reading, 11, 0.5) == " ╶───◉───┤ "
    assert bar(reading, 11) == " ╶───●───┤ "


def test_the_page_of_a_repeated_run() -> None:
    """What has changed stands below what to do; a pass of what failed is no pass of the whole."""
    before, after = stories.summary(failing_run()), stories.summary(healthy_run())
    rows = text(verdict_lines(after, None, 78, before=before))

    assert "Before ○ and after ●" in rows
    assert "fail → pass" in rows
    assert "Run the whole bring-up" in rows
    assert changes(after, after, 78) == []


def test_a_run_that_could_not_begin_says_so() -> None:
    """Neither on its screen nor on the page of findings is it called a running one; T begins it anew."""

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay()
        link.error, link.going = "port /dev/ttyUSB7: there is no such port", False
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        screen.take()
        await pilot.press("f")
        await pilot.pause()
        page = app.screen.query_one("#verdict").text

        assert "THE RUN COULD NOT BEGIN" in page
        assert "/dev/ttyUSB7" in page
        assert "RUNNING" not in page
        started: list[Choice] = []
        app.start_run = started.append  # type: ignore[method-assign]
        await pilot.press("t")
        await pilot.pause()
        assert started == [link.choice]

    stories.with_app((80, 24), play)


@pytest.mark.long
def test_the_key_is_there_after_a_failure_only() -> None:
    """Not while the run goes on, not after a pass, not for a run of another day."""

    async def play(app: BenchApp, pilot: Any) -> None:
        for events, going, offered in ((failing_run(), False, True), (failing_run(), True, False), (healthy_run(), False, False)):
            link = stories.Replay()
            link.feed(events)
            link.going = going
            app.link = link
            screen = RunScreen(link)
            app.push_screen(screen)
            await pilot.pause()
            screen.take()
            await pilot.pause()
            if not isinstance(app.screen, VerdictScreen):
                app.show_verdict(screen.summary, None, screen)
                await pilot.pause()
            assert app.screen.check_action("again", ()) is offered
            assert ("T runs what did not pass" in app.screen.query_one("#verdict").text) is offered
        app.show_verdict(stories.summary(failing_run()), None)
        await pilot.pause()
        assert app.screen.check_action("again", ()) is False

    stories.with_app((80, 24), play)


def _attested(accepted: bool, answer: str) -> ev.Attestation:
    return ev.Attestation(3.0, "before_power", "polarity", "Plus and minus are right.", "reed", answer, accepted, 3.0)


def _undecided(*events: ev.Event) -> Summary:
    s = stories.Story()
    s.begin()
    s.start("identity", 9.0)
    for event in events:
        s.add(event)
    s.end("identity", Verdict.UNDECIDED, "not confirmed")
    s.add(ev.RunEnded(9.0, Verdict.UNDECIDED, 9.0, "2026-03-14T10:15:39Z"))
    return stories.summary(s.events)


def test_advice_after_a_no_is_no_advice_about_cables() -> None:
    """A board that was never needed is not looked after; a no is answered by what was not confirmed."""
    steps = " ".join(next_steps(_undecided(_attested(False, "no"))))
    assert "Plus and minus are right." in steps
    assert "cable" not in steps
    assert "cable" not in " ".join(next_steps(_undecided(ev.Answer(3.0, "identity", 1, "no", "person"))))
    lost = " ".join(next_steps(_undecided(ev.BoardLost(2.0, Role.CRAFT, "the port is gone"))))
    assert "Look after the craft board: cable" in lost


@pytest.mark.long
def test_a_motor_stage_tried_again_is_attested_anew(tmp_path: Path) -> None:
    """The repeated run of a ramp asks for every statement again: nothing of the run before counts."""
    cut = again(Choice(stories.procedure(), "sim"), failed("throttle_ramp"))
    assert cut is not None
    for name in ("first", "second"):
        result = Operation(cut.procedure, open_bench("sim"), tmp_path / name, reports=False).perform()
        ramp = result.summary.stages["throttle_ramp"]
        stated = [a.what for stage in result.summary.stages.values() for a in stage.attestations if a.accepted]

        assert ramp.verdict is Verdict.PASS, ramp.reason
        assert {s.name for s in STATEMENTS} <= set(stated)
