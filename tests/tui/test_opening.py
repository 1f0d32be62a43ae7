"""The opening: procedures by title, practice benches whose fault is hidden until it is guessed, settings, the palette."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import stories
from helpers_runs import failing_run

from benchctl import benchfile, preferences, shipped
from benchctl.ports import discover
from benchctl.tui.app import BenchApp
from benchctl.tui.link import PRACTICE, Choice
from benchctl.tui.screens.run import RunScreen
from benchctl.tui.screens.settings import FIELDS
from benchctl.tui.screens.verdict import GuessScreen, VerdictScreen


def test_procedures_stand_there_by_title_the_first_one_first() -> None:
    """By what they are for; the one that a new pair begins with is on top and says so."""

    async def play(app: BenchApp, pilot: Any) -> None:
        await stories.until(pilot, lambda: bool(app.screen.query("#start")))
        options = app.screen.query_one("#procedures")

        assert str(options.get_option_at_index(0).prompt).startswith("Set-up")
        assert "new pair? start with this" in str(options.get_option_at_index(0).prompt)
        assert "Bring-up of a new pair" in stories.picture(app)

    stories.with_app((80, 24), play)


@pytest.mark.parametrize("size", [(60, 16), (80, 24)])
def test_start_and_stop_are_within_reach(size: tuple[int, int]) -> None:
    """The keys of both are on the screens, also at 60 columns and 16 rows."""

    async def play(app: BenchApp, pilot: Any) -> None:
        await stories.until(pilot, lambda: bool(app.screen.query("#start")))
        await pilot.pause()
        assert "F5 Start" in stories.picture(app)
        link = stories.Replay()
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        link.feed(stories.in_link())
        screen.take()
        await stories.until(pilot, lambda: "Ctrl+X STOP" in stories.picture(app))
        await pilot.press("ctrl+x")
        assert link.stops == ["key"]

    stories.with_app(size, play)


def test_faulty_benches_are_shipped_benches_and_no_sound_one() -> None:
    """Each opens by its name; the healthy pairs are none of them."""
    names = shipped.faulty_benches()

    assert len(names) > 10
    assert not {"mudlark", "mudlark-modules", "mudlark-low-volt", "four-motors", "enough-capacitor"} & set(names)
    assert all(benchfile.load(name, "").name == name for name in names)


def test_the_fault_is_hidden_until_it_has_been_guessed() -> None:
    """Neither the run's screen nor its verdict names the bench or a cause before the guess; after it both do."""

    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay()
        link.choice = Choice(stories.procedure(), "weak-capacitor", hidden=True)
        link.feed(failing_run(bench="weak-capacitor"))
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        screen.take()
        await pilot.pause()
        seen = stories.picture(app)
        link.going = False
        screen.take()
        await stories.until(pilot, lambda: isinstance(app.screen, VerdictScreen))
        await pilot.pause()
        page = app.screen.query_one("#verdict").text

        assert PRACTICE in seen
        assert [t for t in (seen, page) for word in ("apacitor", "weak", "Likely causes") if word in t] == []
        assert "press G" in page.replace("\n", " ")
        await pilot.press("g")
        await stories.until(pilot, lambda: isinstance(app.screen, GuessScreen))
        options = app.screen.query_one("#files")
        options.highlighted = [o.id for o in options.options].index("weak-capacitor")
        await pilot.press("enter")
        await stories.until(pilot, lambda: isinstance(app.screen, VerdictScreen))
        await pilot.pause()
        after = app.screen.query_one("#verdict").text

        assert "Right: it was “weak capacitor”" in after
        assert "Likely causes" in after
        assert app.screen.check_action("guess", ()) is False

    stories.with_app((80, 24), play)


def test_settings_are_kept(tmp_path: Path) -> None:
    """Enter keeps a line; what cannot be is said and not kept."""
    file = tmp_path / "p.toml"

    async def play(app: BenchApp, pilot: Any) -> None:
        app.action_settings()
        await stories.until(pilot, lambda: bool(app.screen.query("#speed")))
        for key, text in (("speed", "10"), ("look", "light"), ("pair", "marsh"), ("speed", "soon")):
            field = app.screen.query_one(f"#{key}")
            field.value = text
            field.focus()
            await pilot.press("enter")
            await app.workers.wait_for_complete()

    stories.with_app((80, 24), play, file=file)
    kept = preferences.load(file)
    assert (kept.speed, kept.look, kept.pair) == (10.0, "light", "marsh")
    assert {key for key, _ in FIELDS} <= set(preferences._KEYS)


def test_the_palette_has_every_command_of_the_screen() -> None:
    """What a key of the screen does can be found by name as well."""

    async def play(app: BenchApp, pilot: Any) -> None:
        await stories.until(pilot, lambda: bool(app.screen.query("#start")))
        titles = {c.title for c in app.get_system_commands(app.screen)}
        bound = {b.description for b in type(app.screen).BINDINGS if not b.action.startswith("app.")}

        assert bound <= titles
        assert {"Settings", "Past runs", "Cautions", "Help", "Quit"} <= titles

    stories.with_app((80, 24), play)


def test_ports_of_the_main_board_are_no_boards(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a computer's own ports and a USB one, the USB one is offered."""

    class Port:
        def __init__(self, device: str, hwid: str) -> None:
            self.device, self.hwid, self.description = device, hwid, "n/a"

    ports = [Port("/dev/ttyS0", "PNP0501"), Port("/dev/ttyS31", "n/a"), Port("COM1", r"ACPI\PNP0501\1"),
             Port("/dev/ttyUSB0", "USB VID:PID=1A86:7523")]  # fmt: skip
    monkeypatch.setattr(discover.list_ports, "comports", lambda: ports)
    monkeypatch.setattr(discover.preferences, "load", lambda: preferences.Preferences())

    assert [c.port for c in discover.candidates()] == ["/dev/ttyUSB0"]
