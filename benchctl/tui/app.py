"""The terminal UI: wiring only. Screens show events and send three commands: start, answer, stop.

Nothing here imports numpy, the stages or a bench before the first screen is painted.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual import work
from textual.app import App, SystemCommand
from textual.binding import Binding
from textual.driver import Driver
from textual.screen import Screen
from textual.theme import Theme

from benchctl import preferences
from benchctl.errors import UsageError
from benchctl.tui.stop_key import STOP_KEYS, hearing

if TYPE_CHECKING:
    from benchctl.ports.discover import Found
    from benchctl.runs.summary import Summary
    from benchctl.tui.link import Choice, RunLink
    from benchctl.tui.screens.run import RunScreen

#: seconds that closing the program waits for a stopped run to write its record
_CLOSING_S = 20.0
#: seconds that the screen has to go away after a signal
_LEAVING_S = 5.0
#: screens narrower than the last number show the plot in place of the readings, wider ones beside them
_BREAKPOINTS = [(0, "-narrow"), (110, "-broad")]
#: screens with fewer rows than the last number leave out what can be spared
_HIGH_BREAKPOINTS = [(0, "-low"), (22, "-high")]
#: look → theme, its name in the command palette
LOOKS = {
    "dark": ("dusk", "dark"),
    "light": ("day", "light"),
    "terminal": ("ansi-dark", "the terminal's own colours"),
}
_THEMES = (
    Theme("dusk", primary="#7fb0c9", accent="#8cc0d8", success="#8fcf8f", warning="#e5b567", error="#ff8a80",
          foreground="#d9dedb", background="#15191b", surface="#1b2023", panel="#23292c", dark=True),
    Theme("day", primary="#1d5b79", accent="#1d5b79", success="#1b6b2f", warning="#8a5a00", error="#b3261e",
          foreground="#1c2224", background="#f7f6f2", surface="#efeee9", panel="#e5e4de", dark=False),
)  # fmt: skip


class BenchApp(App[int]):
    """All screens, and the one run that may be going on."""

    TITLE = "benchctl"
    CSS_PATH = "benchctl.tcss"
    HORIZONTAL_BREAKPOINTS = _BREAKPOINTS
    VERTICAL_BREAKPOINTS = _HIGH_BREAKPOINTS
    BINDINGS: ClassVar = [
        Binding(",".join(STOP_KEYS), "stop_run", "STOP", key_display="Ctrl+X", priority=True),
        Binding("f1,question_mark", "help", "Help", key_display="F1"),
        Binding("ctrl+q", "quit", "Quit", show=False, priority=True),
    ]

    def __init__(
        self,
        root: Path | None = None,
        look: Callable[[], Sequence[Found]] | None = None,
        kept: preferences.Preferences | None = None,
        file: Path | None = None,
        **more: Any,
    ) -> None:
        """root: where runs are kept. look: finds boards. kept: the user's preferences. file: where a look or speed
        chosen here is remembered; None: nowhere."""
        plain = "NO_COLOR" in os.environ
        super().__init__(ansi_color=True if plain else None, **more)
        for theme in _THEMES:
            self.register_theme(theme)
        self.kept = kept or preferences.Preferences()
        self._file = file
        followed = "light" if light_terminal(os.environ.get("COLORFGBG", "")) else "dark"
        self.theme = LOOKS["terminal" if plain else self.kept.look or followed][0]
        self._root = root
        self._survey = look
        self.link: RunLink | None = None
        self._closing_run = False

    def get_default_screen(self) -> Screen[Any]:
        """The first screen is the choice, with no blank one below it: that is painted sooner."""
        from benchctl.tui.screens.choose import ChooseScreen

        return ChooseScreen()

    @property
    def root(self) -> Path:
        """Where runs are kept."""
        if self._root is None:
            from benchctl.operate import default_root

            self._root = default_root()
        return self._root

    def look_for_boards(self) -> Sequence[Found]:
        """Ask every port who is there; takes seconds."""
        if self._survey is not None:
            return self._survey()
        from benchctl.ports.discover import survey

        return survey()

    # ------------------------------------------------------------------ the run

    @property
    def running(self) -> bool:
        """Whether a run is under way."""
        return self.link is not None and self.link.alive

    def start_run(self, choice: Choice, speed: float | None = None) -> None:
        """Open the run screen, which starts the run; a simulated bench at the speed that was used last."""
        from benchctl.tui.link import RunLink
        from benchctl.tui.screens.run import RunScreen

        if self.running:
            self.notify("A run is going on already.", severity="warning")
            return
        self.link = RunLink(choice, self.root, lambda: self._tell(screen), self.kept.speed if speed is None else speed)
        screen = RunScreen(self.link)
        self.push_screen(screen)

    def _tell(self, screen: RunScreen) -> None:
        """From the run's thread: show at once."""
        if self._running and screen.is_attached:
            screen.post_message(screen.Urgent())

    def run_ended(self, screen: RunScreen) -> None:
        """The run screen has shown the end; show the verdict over whatever is on top of it."""
        self.refresh_bindings()
        if screen.summary.started and screen.is_current and not self._closing_run:
            self.show_verdict(screen.summary, screen.link.folder, screen)

    def show_verdict(self, summary: Summary, folder: Path | None, of: RunScreen | None = None) -> None:
        """Put a run's verdict on the screen. of: the screen of the run, where it was performed here."""
        from benchctl.tui.screens.verdict import VerdictScreen

        self.push_screen(VerdictScreen(summary, folder, of))

    def try_again(self, choice: Choice) -> None:
        """Start anew in place of the run that has ended."""
        from benchctl.tui.screens.choose import ChooseScreen

        while not isinstance(self.screen, ChooseScreen) and len(self.screen_stack) > 1:
            self.pop_screen()
        self.start_run(choice)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """The stop key belongs to the run while there is one, to the focused field otherwise."""
        if action == "stop_run":
            return self.running
        return True

    def get_driver_class(self) -> type[Driver]:
        """The usual one for this terminal, with an ear for the stop key."""
        return hearing(super().get_driver_class(), self._stop_key_read)

    def _stop_key_read(self) -> None:
        """In the thread that reads the keyboard: straight from the key to the outputs."""
        if self.link is not None:
            self.link.stop("key")

    def action_stop_run(self) -> None:
        """The key as the screen sees it: the boards have been told already where a real keyboard is read."""
        if self.link is not None:
            told = self.link.stop("key")
            self.notify(told.told, title="Stopped", severity="warning", markup=False)

    async def action_quit(self) -> None:
        """Closing the program stops the run first and waits for its record to be whole."""
        self.close_run("closed")
        self.exit(0)

    def leave(self) -> None:
        """Close the program, from any thread."""
        if self._running:
            self.call_later(self.exit, 0)

    def close_run(self, by: str) -> None:
        """Before the program ends: stop a run and wait for its end, for a few seconds."""
        self._closing_run = True
        if self.link is not None and self.link.alive:
            self.link.stop(by)
            self.link.join(_CLOSING_S)

    # ------------------------------------------------------------------ other screens

    def action_help(self) -> None:
        from benchctl.tui.screens.help import HelpScreen

        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen(self.screen))

    def action_history(self) -> None:
        from benchctl.tui.screens.history import HistoryScreen

        self.push_screen(HistoryScreen(self.root))

    def action_cautions(self, before_run: bool = False) -> None:
        from benchctl.tui.screens.cautions import CautionsScreen

        self.push_screen(CautionsScreen(before_run=before_run))

    def action_settings(self) -> None:
        from benchctl.tui.screens.settings import SettingsScreen

        self.push_screen(SettingsScreen(self.kept))

    def settle(self, key: str, value: float | str) -> None:
        """Keep a setting, and go by it from now on."""
        if key == "look":
            self._look(str(value))
        elif key == "runs":
            self._root = Path(str(value)).expanduser() if value else None
            self.remember(key, value)
            self.kept = replace(self.kept, runs=self._root)
        else:
            self.remember(key, value)

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """What the command palette offers."""
        if self.running:
            yield SystemCommand("Stop the run", "Outputs to idle, run over (Ctrl+X)", self.action_stop_run)
        for active in screen.active_bindings.values():
            bound = active.binding
            own = not bound.action.startswith(("app.", "command_palette")) and active.node is not self
            if own and bound.description and active.enabled and bound.show:
                action, node = bound.action, active.node
                yield SystemCommand(
                    bound.description, f"On this screen: {bound.key}", lambda a=action, n=node: self.run_action(a, n)
                )
        yield SystemCommand("Settings", "Bench, pair, runs, speed, look: kept for the next start", self.action_settings)
        yield SystemCommand("Past runs", "Runs, boards, yield, trends, comparison", self.action_history)
        yield SystemCommand("Cautions", "Motors, batteries, soldering, radio, flying", self.action_cautions)
        yield SystemCommand("Help", "Keys and signs of this screen", self.action_help)
        for look, (_, told) in LOOKS.items():
            yield SystemCommand(f"Look: {told}", "Colours of the screen", lambda look=look: self._look(look))
        yield SystemCommand("Quit", "Stop the run if there is one, and close", self.action_quit)

    def _look(self, look: str) -> None:
        self.theme = LOOKS[look][0]
        self.remember("look", look)

    def remember(self, key: str, value: float | str) -> None:
        """Keep a choice for the next start, where there is a file for that."""
        changed: dict[str, Any] = {key: value}
        self.kept = replace(self.kept, **changed)
        if self._file is not None:
            self._write(self._file, key, value)

    @work(thread=True, group="remember")
    def _write(self, file: Path, key: str, value: float | str) -> None:
        try:
            preferences.remember(file, key, value)
        except UsageError as e:
            self.call_from_thread(self.notify, str(e), severity="warning", markup=False)


def light_terminal(told: str) -> bool:
    """What terminals tell of their colours, "15;0" for white on black: whether the background is a light one."""
    background = told.rpartition(";")[2]
    return background.isdigit() and int(background) in (7, 15)


def main() -> int:
    """Run the terminal UI until it is closed; 0. Raises UsageError without a terminal."""
    if not all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr)):
        raise UsageError("the terminal UI needs a terminal; see benchctl --help for commands that do without")
    return run_app(BenchApp(kept=preferences.load(), file=preferences.path()))


def run_app(app: BenchApp) -> int:
    """Run until it is closed; signals stop the run and close the program. Returns its exit code."""
    from benchctl.signals import on_signals

    over = threading.Event()

    def leave(by: str) -> None:
        app.close_run(by)
        app.leave()
        if not over.wait(_LEAVING_S):
            os._exit(0)  # a terminal that takes nothing is in the way; the boards are told, the record is whole

    on_signals(leave)
    try:
        app.run()
    finally:
        app.close_run("closed")
        over.set()
    return app.return_code or 0
