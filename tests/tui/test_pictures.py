"""Every screen at three sizes, compared with its stored text.

`BENCHCTL_NEW_PICTURES=1 pytest -m '' tests/tui/test_pictures.py` stores what the screens look like now; review what changed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
import stories
from helpers_runs import CRAFT, HAND, failing_run, healthy_run

from benchctl import shipped
from benchctl.ports.discover import Found, State
from benchctl.session.boot import Identity
from benchctl.tui.app import BenchApp
from benchctl.tui.screens.batch import BatchScreen, TrendPane
from benchctl.tui.screens.cautions import CautionsScreen
from benchctl.tui.screens.choose import AboutPane, FoundPane
from benchctl.tui.screens.compare import ComparePane, CompareScreen
from benchctl.tui.screens.help import HelpScreen
from benchctl.tui.screens.history import HistoryScreen
from benchctl.tui.screens.path import PathScreen
from benchctl.tui.screens.run import RunScreen
from benchctl.tui.screens.verdict import VerdictScreen

STORED = Path(__file__).parent / "snapshots"
FOLDER = Path("/runs/20260314-101530-bring-up-3fa9")
Play = Callable[[BenchApp, Any], Awaitable[None]]


def found(port: str, state: State, sentence: str, role: Any = None, label: str = "") -> Found:
    who = None
    if role is not None:
        who = Identity(
            1, "1.0", "8c41f07a", role, label, 16_000_000, 4, "power on", "flags", 1, 700, True, b"\x1e\x95\x0f"
        )
    return Found(port, state, sentence, identity=who)


def both() -> list[Found]:
    hand, craft = "mudlark-hand-03", "mudlark-craft-03"
    return [
        found("/dev/ttyUSB0", State.BOARD, f"/dev/ttyUSB0: hand board {hand}, firmware 1.0", HAND, hand),
        found("/dev/ttyUSB1", State.BOARD, f"/dev/ttyUSB1: craft board {craft}, firmware 1.0", CRAFT, craft),
    ]


def troubles() -> list[Found]:
    refused = "/dev/ttyUSB0: no permission to open it; add yourself to the group dialout"
    silent = "/dev/ttyACM0: nothing answers; is the board powered, is the probe firmware on it?"
    return [found("/dev/ttyUSB0", State.NO_PERMISSION, refused), found("/dev/ttyACM0", State.SILENT, silent)]


def shown(app: BenchApp) -> str:
    """The screen's text, without the version, which changes."""
    return re.sub(r"benchctl \d+\.\d+\.\d+", "benchctl 0.0.0", stories.picture(app))


async def compared(name: str, size: tuple[int, int], app: BenchApp, pilot: Any) -> None:
    """The screen against its stored text, which it must reach while the machine may be busy."""
    path = STORED / f"{name}-{size[0]}x{size[1]}.txt"
    if os.environ.get("BENCHCTL_NEW_PICTURES"):
        await settled(app, pilot)
        STORED.mkdir(exist_ok=True)
        path.write_text(shown(app), "utf-8")
    expected = path.read_text("utf-8")
    for _ in range(60):
        if shown(app) == expected:
            break
        await settled(app, pilot)

    assert expected == shown(app)


#: procedures of the pictures' own, so that these do not change with the shipped ones
_BRING_UP = """
name = "bring-up"
title = "Bring-up of a new pair"
note = "From two freshly soldered boards to a good link: each step is safe because the one before it passed."
[[stage]]
kind = "identity"
[stage.parameters]
clock_seconds = 5.0
[[stage]]
kind = "transceiver"
[[stage]]
kind = "radio_link"
"""


def own_procedures(folder: Path) -> dict[str, Path]:
    """Two procedure files in `folder`."""
    folder.mkdir()
    texts = {"bring-up": _BRING_UP, "radio-link": _BRING_UP.replace("bring-up", "radio-link")}
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text, "utf-8")
    return {name: folder / f"{name}.toml" for name in texts}


# ---------------------------------------------------------------------- what is played before the picture


async def chosen(app: BenchApp, pilot: Any) -> None:
    await stories.until(pilot, lambda: app.screen.query_one(FoundPane).found is not None)
    await stories.until(pilot, lambda: app.screen.query_one(AboutPane).procedure is not None)


def running(events: Callable[[], list[Any]], *, person: bool = False, keys: tuple[str, ...] = ()) -> Play:
    async def play(app: BenchApp, pilot: Any) -> None:
        link = stories.Replay(person=person)
        app.link = link
        screen = RunScreen(link)
        app.push_screen(screen)
        await pilot.pause()
        told = events()
        for start in range(0, max(1, len(told)), 5):
            link.feed(told[start : start + 5])
            screen.take()
        await pilot.press(*keys)
        await pilot.pause()
        screen.take()

    return play


def judged(events: Callable[[], list[Any]], *, live: bool = False) -> Play:
    async def play(app: BenchApp, pilot: Any) -> None:
        app.push_screen(VerdictScreen(stories.summary(events(), live=live), FOLDER))

    return play


async def helped(app: BenchApp, pilot: Any) -> None:
    await running(stories.in_link)(app, pilot)
    app.action_help()
    await stories.until(pilot, lambda: isinstance(app.screen, HelpScreen))


async def cautioned(app: BenchApp, pilot: Any) -> None:
    app.push_screen(CautionsScreen())


async def history(app: BenchApp, pilot: Any) -> None:
    stories.workshop(app.root)
    screen = HistoryScreen(app.root)
    app.push_screen(screen)
    await stories.until(pilot, lambda: len(screen.rows) == 5)


async def batch(app: BenchApp, pilot: Any) -> None:
    await history(app, pilot)
    await pilot.press("b")
    await stories.until(pilot, lambda: isinstance(app.screen, BatchScreen))
    options = app.screen.query_one("#which")
    await stories.until(pilot, lambda: options.option_count > 10)
    options.highlighted = [str(o.prompt) for o in options.options].index("Supply under load: droop, craft")
    await stories.until(pilot, lambda: len(app.screen.query_one(TrendPane).points) == 4)


async def comparison(app: BenchApp, pilot: Any) -> None:
    await history(app, pilot)
    await pilot.press("space", "down", "down", "space", "c")
    await stories.until(pilot, lambda: isinstance(app.screen, CompareScreen))
    await stories.until(pilot, lambda: app.screen.query_one(ComparePane).found is not None)


async def path(app: BenchApp, pilot: Any) -> None:
    await chosen(app, pilot)
    app.push_screen(PathScreen("procedure"))


PICTURES: dict[str, tuple[Play, dict[str, Any]]] = {
    "choose-none": (chosen, {}),
    "choose-both": (chosen, {"look": both}),
    "choose-trouble": (chosen, {"look": troubles}),
    "run-opening": (running(list), {}),
    "run-link": (running(stories.in_link), {}),
    "run-plot": (running(stories.in_link, keys=("v",)), {}),
    "run-prompt": (running(stories.in_prompt, person=True), {}),
    "run-rehearsal": (running(stories.in_prompt), {}),
    "run-live": (running(stories.in_ramp), {}),
    "run-lost": (running(stories.in_loss), {}),
    "run-over": (running(healthy_run), {}),
    "verdict-pass": (judged(healthy_run), {}),
    "verdict-fail": (judged(failing_run), {}),
    "verdict-so-far": (judged(stories.in_loss, live=True), {}),
    "verdict-cut-off": (judged(stories.in_ramp), {}),
    "help": (helped, {}),
    "cautions": (cautioned, {}),
    "history": (history, {}),
    "batch": (batch, {}),
    "compare": (comparison, {}),
    "path": (path, {}),
}


@pytest.mark.parametrize(
    "sizes", [stories.SIZES[:1], pytest.param(stories.SIZES, marks=pytest.mark.long)], ids=["usual size", "all sizes"]
)
@pytest.mark.parametrize("name", PICTURES)
def test_picture(name: str, sizes: list[tuple[int, int]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the user sees; other sizes are reached by resizing the terminal."""
    play, more = PICTURES[name]
    monkeypatch.chdir(tmp_path)
    procedures = own_procedures(tmp_path / "procedures")
    monkeypatch.setattr(shipped, "procedures", lambda: procedures)

    async def whole(app: BenchApp, pilot: Any) -> None:
        await play(app, pilot)
        for size in sizes:
            await pilot.resize_terminal(*size)
            await compared(name, size, app, pilot)

    stories.with_app(stories.SIZES[0], whole, root=tmp_path / "runs", **more)


async def settled(app: BenchApp, pilot: Any) -> None:
    """Until two looks at the screen are the same."""
    before = ""
    while (now := stories.picture(app)) != before:
        before = now
        if isinstance(app.screen, RunScreen):
            app.screen.take()
        await pilot.pause(0.03)
