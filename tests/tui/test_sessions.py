"""Whole sessions by keys at 80×24 on modelled benches: healthy, failing, lost board, no, stop, resize, no boards."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import pytest
import stories

from benchctl import events as ev
from benchctl import preferences
from benchctl.benches import open_bench
from benchctl.ports import discover
from benchctl.report import write
from benchctl.runs.folder import list_runs, verify
from benchctl.runs.log import read
from benchctl.runs.summary import summarise
from benchctl.terms import Role, Verdict
from benchctl.tui import link as link_module
from benchctl.tui.app import BenchApp
from benchctl.tui.link import RunLink
from benchctl.tui.screens.cautions import CautionsScreen
from benchctl.tui.screens.choose import AboutPane, FoundPane
from benchctl.tui.screens.run import RunScreen
from benchctl.tui.screens.verdict import VerdictScreen
from benchctl.tui.widgets.prompt import PromptPanel
from benchctl.tui.workers import show_on

SIZE = (80, 24)
MUDLARK = Path(link_module.__file__).parents[1] / "data" / "benches" / "mudlark.toml"


@pytest.fixture
def no_plots(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page with plots, a second's work, is left out where nothing looks at it."""
    monkeypatch.setattr(write, "FILES", {form: name for form, name in write.FILES.items() if form != "html"})


def session(root: Path, play: Any) -> None:
    stories.with_app(SIZE, play, root=root)


async def start(app: BenchApp, pilot: Any, procedure: str, *, fast: bool = True, person: bool = False) -> RunScreen:
    """Choose by keys and start; fast: at full speed."""
    await stories.until(pilot, lambda: bool(app.screen.query("#start")))
    names = list(app.screen._procedures)
    options = app.screen.query_one("#procedures")
    for _ in range(20):
        if options.highlighted == names.index(procedure):
            break
        await pilot.press("down" if options.highlighted < names.index(procedure) else "up")
    await stories.until(
        pilot, lambda: (p := app.screen.query_one(AboutPane).procedure) is not None and p.name == procedure
    )
    if person:
        app.screen.query_one("#person").focus()
        await pilot.press("enter")
    await pilot.press("f5")
    await stories.until(pilot, lambda: any(isinstance(s, RunScreen) for s in app.screen_stack))
    screen = next(s for s in app.screen_stack if isinstance(s, RunScreen))
    if fast and not person:
        await pilot.press("s", "s")
    elif fast:  # no keys that would land in the answer field
        screen.link.set_speed(0.0)
    return screen


async def asked(app: BenchApp, pilot: Any, screen: RunScreen) -> None:
    """Until the person has read the cautions and is asked the first thing."""
    await stories.until(pilot, lambda: isinstance(app.screen, CautionsScreen))
    await pilot.press("escape")
    await stories.until(pilot, lambda: screen.query_one(PromptPanel).has_class("-asking") and app.screen is screen)


async def verdict(app: BenchApp, pilot: Any, seconds: float = 600.0) -> str:
    """The page at the end, in words."""
    await stories.until(pilot, lambda: isinstance(app.screen, VerdictScreen), seconds)
    await pilot.pause()
    return str(app.screen.query_one("#verdict").text)


def only_run(root: Path) -> Any:
    """The summary of the one run that was recorded; the folder is whole."""
    (folder,) = list_runs(root)
    assert verify(folder) == []
    return summarise(read(folder).events)


def test_healthy_run(tmp_path: Path) -> None:
    """radio-link on the modelled pair: passes, says that nothing was real, and shows where the report lies."""

    async def play(app: BenchApp, pilot: Any) -> None:
        await start(app, pilot, "radio-link")
        page = await verdict(app, pilot)

        assert page.startswith("✓ PASS")
        assert "no motor was real" in page
        report = "".join(line.strip() for line in page.split("report  ")[1].splitlines()[:3])
        assert report.startswith(str(tmp_path))
        await pilot.press("escape")
        assert "the run is over" in stories.picture(app)
        await pilot.press("escape")
        assert "Procedure" in stories.picture(app)

    session(tmp_path, play)

    assert only_run(tmp_path).verdict is Verdict.PASS


@pytest.mark.long
@pytest.mark.usefixtures("no_plots")
def test_failing_run(tmp_path: Path) -> None:
    """Forty decibels more path loss: the link fails, the page says why and what to do next."""
    bench = tmp_path / "far.toml"
    bench.write_text(f"{MUDLARK.read_text('utf-8')}\n[air]\npath_loss_db = 104\n", "utf-8")

    async def play(app: BenchApp, pilot: Any) -> None:
        app.screen._opened("benches", bench)
        await start(app, pilot, "radio-link")
        page = await verdict(app, pilot)

        assert page.startswith("✗ FAIL")
        assert "What failed and why" in page
        assert "✗ Radio link" in page
        assert "What to do next" in page

    session(tmp_path / "runs", play)

    assert only_run(tmp_path / "runs").verdict is Verdict.FAIL


@pytest.mark.long
@pytest.mark.usefixtures("no_plots")
def test_lost_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The craft's cable is pulled in the middle: the run ends by itself, undecided, and names the board."""

    def pulled(*args: Any, **more: Any) -> Any:
        bench: Any = open_bench(*args, **more)
        bench.agenda.at(8.0, bench.ports[Role.CRAFT].plug, False)
        return bench

    monkeypatch.setattr(link_module, "open_bench", pulled)

    async def play(app: BenchApp, pilot: Any) -> None:
        await start(app, pilot, "radio-link")
        page = await verdict(app, pilot)

        assert page.startswith("? UNDECIDED")
        assert "lost" in page
        assert "Look after the craft board" in page

    session(tmp_path, play)

    assert only_run(tmp_path).boards[Role.CRAFT].lost


@pytest.mark.usefixtures("no_plots")
def test_operator_says_no(tmp_path: Path) -> None:
    """A person declines the first statement: nothing that builds on it runs."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "bring-up", person=True)
        await asked(app, pilot, screen)
        await pilot.press("tab", "tab", "enter")
        await stories.until(pilot, lambda: any(a.text == "no" for a in screen.summary.answers))
        for _ in range(200):
            if isinstance(app.screen, VerdictScreen):
                break
            if screen.query_one(PromptPanel).has_class("-asking"):
                await pilot.press(*"no", "enter")
            await pilot.pause(0.05)
        page = await verdict(app, pilot)

        assert page.startswith(("✗ FAIL", "? UNDECIDED"))
        assert "Before power" in page

    session(tmp_path, play)

    run = only_run(tmp_path)
    assert run.operator == "person"
    assert run.stages["before_power"].verdict is not Verdict.PASS
    assert run.stages["throttle_ramp"].verdict is Verdict.NOT_RUN
    assert not run.live_periods


@pytest.mark.usefixtures("no_plots")
def test_person_types_the_word(tmp_path: Path) -> None:
    """The word that is shown, typed and sent with Enter, is accepted; time passes as real time meanwhile."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "bring-up", person=True)
        await asked(app, pilot, screen)
        word = re.search(r'type the word\s+"(\w+)"', screen.query_one("#talk").text.replace("\n", " "))
        assert word is not None
        await pilot.press(*word.group(1), "enter")
        await stories.until(pilot, lambda: bool(screen.summary.attestations))

        assert screen.summary.attestations[0].accepted
        assert screen.summary.t < 30.0
        await pilot.press("ctrl+x")
        await verdict(app, pilot)

    session(tmp_path, play)


@pytest.mark.parametrize("key", ["ctrl+x", "ctrl+c", "f10"])
@pytest.mark.usefixtures("no_plots")
def test_stop_keys(tmp_path: Path, key: str) -> None:
    """Each stop key ends a run in real time at once; the record is whole and says who stopped it."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "radio-link", fast=False)
        await stories.until(pilot, lambda: bool(screen.summary.current))
        await pilot.press(key)
        page = await verdict(app, pilot, 10.0)

        assert "stopped" in page
        assert "stop key" in page

    session(tmp_path, play)

    run = only_run(tmp_path)
    assert run.stop is not None
    assert run.stop.by == "key"
    assert run.ended


@pytest.mark.usefixtures("no_plots")
def test_stop_while_typing(tmp_path: Path) -> None:
    """With the cursor in the answer field the stop key stops all the same."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "bring-up", person=True)
        await asked(app, pilot, screen)
        assert screen.query_one("#field").has_focus
        await pilot.press("a", "b", "ctrl+x")
        await verdict(app, pilot, 10.0)

    session(tmp_path, play)

    assert only_run(tmp_path).stop is not None


@pytest.mark.usefixtures("no_plots")
def test_stop_on_another_screen(tmp_path: Path) -> None:
    """The stop key works on the help and on the cautions as well."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "radio-link", fast=False)
        await stories.until(pilot, lambda: bool(screen.summary.current))
        app.action_cautions()
        await pilot.press("f1", "ctrl+x")
        await stories.until(pilot, lambda: not app.running)

    session(tmp_path, play)

    assert only_run(tmp_path).stop is not None


@pytest.mark.usefixtures("no_plots")
def test_stop_in_the_ramp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the motor may turn the banner says so and names the key; the key brings the outputs to idle."""
    read_event = RunLink._read

    def slow_when_live(self: RunLink, event: ev.Event) -> None:
        if isinstance(event, ev.OutputsLive) and event.live:
            self.set_speed(1.0)
        read_event(self, event)

    monkeypatch.setattr(RunLink, "_read", slow_when_live)

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "bring-up")
        await stories.until(pilot, lambda: screen.summary.live is not None)
        seen = stories.picture(app)
        await pilot.press("ctrl+x")
        page = await verdict(app, pilot, 10.0)

        assert "▲ OUTPUTS LIVE" in seen
        assert "Ctrl+X STOPS" in seen
        assert "Emergency stop: battery plug or supply switch" in seen
        assert "stop key" in page

    session(tmp_path, play)

    run = only_run(tmp_path)
    assert run.stop is not None
    assert run.live is None or run.live_periods[-1].since <= run.stop.t


@pytest.mark.usefixtures("no_plots")
def test_closing_stops_first(tmp_path: Path) -> None:
    """Ctrl+Q during a run stops it, and the record is whole before the program ends."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "radio-link", fast=False)
        await stories.until(pilot, lambda: bool(screen.summary.current))
        await pilot.press("ctrl+q")

    session(tmp_path, play)

    run = only_run(tmp_path)
    assert run.ended
    assert run.stop.by == "closed"


@pytest.mark.long
@pytest.mark.usefixtures("no_plots")
def test_resize_in_the_middle(tmp_path: Path) -> None:
    """Wide shows the plot beside the readings, narrow in their place; nothing is lost on the way."""

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = await start(app, pilot, "radio-link", fast=False)
        await stories.until(pilot, lambda: bool(screen.summary.current))
        for size in ((200, 60), (80, 24), (120, 40), (40, 12), (80, 24)):
            await pilot.resize_terminal(*size)
            await pilot.pause(0.1)

            assert screen.query_one("#plot").display is (size[0] >= 110)
        await pilot.press("s", "s")
        page = await verdict(app, pilot)

        assert page.startswith("✓ PASS")

    session(tmp_path, play)


@pytest.mark.usefixtures("no_plots")
def test_no_boards_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No port: said in words, with what to do; a run on the ports bench ends with a sentence, not a crash."""
    monkeypatch.setattr(discover.list_ports, "comports", list)

    async def play(app: BenchApp, pilot: Any) -> None:
        await stories.until(pilot, lambda: app.screen.query_one(FoundPane).found is not None)

        assert "No serial port here" in stories.picture(app)
        app.screen.query_one("#benches").highlighted = 2
        await start(app, pilot, "radio-link", fast=False)
        await stories.until(pilot, lambda: not app.running)
        await stories.until(pilot, lambda: "could not begin" in stories.picture(app))

        assert "there are no serial ports" in app.screen.query_one("#readings").text
        await pilot.press("escape")
        assert "Procedure" in stories.picture(app)

    session(tmp_path, play)


def test_cautions_come_first(tmp_path: Path) -> None:
    """Before the first stage that may move something a person reads the cautions; once, and the prompt waits below."""

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay(person=True)
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        link.feed(stories.in_prompt()[:-1])
        link.feed([ev.Note(1.0, "button", "Servos: a servo moves without warning.", "caution")] * 3)
        link.feed(stories.in_prompt()[-1:])
        screen.take()
        await stories.until(pilot, lambda: isinstance(app.screen, CautionsScreen))
        await pilot.press("ctrl+x", "escape")

        assert link.stops == ["key"]
        assert app.screen is screen
        assert screen.query_one(PromptPanel).has_class("-asking")

    session(tmp_path, play)


@pytest.mark.long
def test_answer_needs_something(tmp_path: Path) -> None:
    """An empty answer is not sent; the field stays."""

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay(person=True)
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        link.feed(stories.in_prompt())
        screen.take()
        await pilot.press("enter")
        assert link.answers == []
        await pilot.press("4", "enter")

        assert link.answers == [(7, "4")]
        assert not screen.query_one(PromptPanel).has_class("-asking")

    session(tmp_path, play)


def test_speed_and_look_are_remembered(tmp_path: Path) -> None:
    """S in a run and a look from the palette are there again at the next start."""
    file = tmp_path / "p.toml"

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay()
        app.link = link
        app.push_screen(RunScreen(link))
        await pilot.pause()
        link.feed(stories.in_link())
        await pilot.pause(0.3)
        await pilot.press("s")
        await pilot.pause()
        app._look("light")
        await stories.until(pilot, lambda: file.exists() and "look" in file.read_text())

    stories.with_app((80, 24), play, file=file)
    kept = preferences.load(file)
    assert (kept.speed, kept.look) == (10.0, "light")

    async def again(app: BenchApp, pilot: Any) -> None:
        assert app.theme == "day"
        assert app.kept.speed == 10.0

    stories.with_app((80, 24), again, kept=kept)


def test_what_is_found_out_after_the_screen_has_gone_is_dropped() -> None:
    """Quitting while boards are looked for or procedures loaded ends quietly."""
    shown: list[str] = []

    async def play(app: BenchApp, pilot: Any) -> None:
        screen = app.screen
        await stories.until(pilot, lambda: bool(screen.query("#procedures")))
        await asyncio.to_thread(show_on, screen, shown.append, "while it is there")
        await screen.query("*").remove()  # as at the end of the app
        await asyncio.to_thread(show_on, screen, shown.append, "when it has gone")

    stories.with_app((80, 24), play)
    assert shown == ["while it is there"]


def test_a_bench_of_the_users_own_is_offered_first() -> None:
    async def play(app: BenchApp, pilot: Any) -> None:
        await stories.until(pilot, lambda: bool(app.screen.query("#benches")))
        assert app.screen._chosen("benches") == "avr"

    stories.with_app((80, 24), play, kept=preferences.Preferences(bench="avr"))
