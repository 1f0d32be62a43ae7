"""The first screen: which boards are there, what to do next, and the choice of procedure and bench.

Painted before anything heavy is imported; boards are looked for, and the rest is imported, in threads.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Button, Footer, Input, Label, OptionList
from textual.widgets.option_list import Option

from benchctl import __version__, shipped
from benchctl.errors import BenchctlError, UsageError
from benchctl.terms import Role
from benchctl.tui.widgets.lines import Line, Lines, fit, line, wrapped
from benchctl.tui.workers import show_on

if TYPE_CHECKING:
    from benchctl.ports.discover import Found
    from benchctl.procedure.file import Procedure
    from benchctl.tui.link import Choice

#: bench → what it is, in a few words
BENCHES = {
    "sim": "modelled pair, for practice",
    "avr": "real firmware, modelled chips",
    "ports": "the boards plugged in here",
}
#: stands for any of the benches with a fault
_PRACTICE = "practice"
_FILE = "file"
#: behind a procedure's title
_NEW = {"set-up": "\n  ▸ new pair? start with this"}
#: a person answers → what the button says
_ANSWERS = {False: "Answers: the modelled person", True: "Answers: you, at this screen"}
_LOOKING = "Looking for boards…"
_SIGNS = {"board": ("✓", "good"), "silent": ("?", "warn"), "gone": ("✗", "bad")}


def advice(found: Sequence[Found] | None, failure: str = "") -> str:
    """What to do next, in words."""
    if failure:
        return f"Boards could not be looked for: {failure}. The modelled pair needs none."
    if found is None:
        return _LOOKING
    boards = [f for f in found if f.state == "board"]
    roles = {str(f.identity.role) for f in boards if f.identity is not None}
    if not found:
        return "No serial port here. Plug in a board by USB and press R, or practise on the modelled pair."
    if not boards:
        return "No board answers yet. See to what is said below and press R, or practise on the modelled pair."
    if {"hand", "craft"} <= roles:
        return "Both boards answer. Choose a procedure, then Start; a new pair begins with set-up."
    missing = "craft" if "hand" in roles else "hand"
    return f"One board answers; the {missing} board is missing. Plug it in and press R."


class FoundPane(Lines):
    """What was found on the ports, and what to do next."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.found: Sequence[Found] | None = None
        self.failure = ""

    def build(self, width: int, height: int) -> list[Line]:
        out = [line((f"benchctl {__version__}", "strong"), "  a soldered pair, step by step to a motor under control")]
        out += wrapped(advice(self.found, self.failure), width, "strong")
        for found in self.found or ():
            sign, tone = _SIGNS.get(str(found.state), ("!", "warn"))
            out += wrapped(found.sentence, width - 2, tone, f"{sign} ", "  ")
        return out


class AboutPane(Lines):
    """What the highlighted procedure does, stage by stage."""

    can_focus = True

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.procedure: Procedure | None = None
        self.problem = ""

    def build(self, width: int, height: int) -> list[Line]:
        if self.problem:
            return wrapped(self.problem, width, "bad")
        p = self.procedure
        if p is None:
            return [line(("Reading the procedure…", "soft"))]
        seconds = sum(s.stage.expected_s(s.parameters) for s in p.steps)
        out = [line((fit(p.title, width), "strong")), *wrapped(p.note, width)]
        out += wrapped(f"{len(p.steps)} stages, about {max(1, round(seconds / 60))} min in real time:", width, "soft")
        for number, step in enumerate(p.steps, 1):
            spins = "  ▲ outputs live" if step.stage.spins else ""
            out.append(line(f"{number:>2} {step.title}", (spins, "warn")))
        return out


class ChooseScreen(Screen[None]):
    """Choose, then start; past runs and cautions are one key away."""

    BINDINGS: ClassVar = [
        Binding("f5", "start", "Start", key_display="F5"),
        Binding("r", "look", "Look"),
        Binding("h", "app.history", "Past runs"),
        Binding("c", "app.cautions", "Cautions"),
        Binding("o", "open", "Open"),
        Binding("s", "app.settings", "Settings"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._procedures: dict[str, Path] = shipped.procedures()
        self._benches: dict[str, str] = dict(BENCHES)
        self._loaded: dict[str, Procedure] = {}
        self._person = False
        self._starting = False  # Start was pressed before the procedure had been read

    def compose(self) -> ComposeResult:
        yield FoundPane(id="found")
        with Horizontal(id="choose"):
            yield OptionList(*self._procedure_options(), id="procedures", markup=False)
            yield AboutPane(id="about")
        yield Horizontal(id="where")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        self.query_one("#procedures").border_title = "Procedure"
        self.query_one("#about").border_title = "What it does"
        procedures = self.query_one("#procedures", OptionList)
        names = list(self._procedures)
        procedures.highlighted = names.index("bring-up") if "bring-up" in names else 0
        procedures.focus()
        self.call_after_refresh(self._begin)

    async def _complete(self) -> None:
        """The lower half, once the upper one has been painted; its room is kept free from the start."""
        preferred = self._preferred()
        benches = OptionList(*self._bench_options(), id="benches", markup=False)
        form = Vertical(
            Horizontal(Label("Seed"), Input("1", type="integer", id="seed", compact=True)),
            Horizontal(Label("Hand label"), Input(placeholder="any", id="hand", compact=True)),
            Horizontal(Label("Craft label"), Input(placeholder="any", id="craft", compact=True)),
            Button(_ANSWERS[False], id="person", compact=True),
            Button("Start", id="start", compact=True, variant="primary"),
            id="form",
        )
        benches.border_title, form.border_title = "Bench", "This run"
        benches.highlighted = list(self._benches).index(preferred)
        await self.query_one("#where").mount(benches, form)

    def _preferred(self) -> str:
        """The user's own bench; a bench file of theirs joins the list."""
        wanted: str = self.app.kept.bench  # type: ignore[attr-defined]
        self._benches.setdefault(wanted, "your usual one")
        return wanted

    async def _begin(self) -> None:
        await self._complete()
        self._preload()
        self.action_look()

    def _procedure_options(self) -> list[Option]:
        told = [Option(f"{shipped.title(path)}{_NEW.get(n, '')}", id=n) for n, path in self._procedures.items()]
        return [*told, Option("a file…", id=_FILE)]

    def _bench_options(self) -> list[Option]:
        named = [Option(f"{name:<6} {told}", id=name) for name, told in self._benches.items()]
        practice = Option("practice: a modelled pair with a fault", id=_PRACTICE)
        return [*named, practice, Option("a bench file…", id=_FILE)]

    # ------------------------------------------------------------------ boards

    def action_look(self) -> None:
        pane = self.query_one(FoundPane)
        pane.found, pane.failure = None, ""
        self._show_found()
        self._look()

    @work(thread=True, exclusive=True, group="look")
    def _look(self) -> None:
        """Ask every port who is there; takes seconds where boot loaders wait."""
        found: Sequence[Found] = []
        failure = ""
        try:
            found = self.app.look_for_boards()  # type: ignore[attr-defined]
        except (BenchctlError, OSError) as e:
            failure = str(e)
        show_on(self, self._looked, found, failure)

    def _looked(self, found: Sequence[Found], failure: str) -> None:
        pane = self.query_one(FoundPane)
        pane.found, pane.failure = found, failure
        self._show_found()
        if any(f.state == "board" for f in found):
            self.query_one("#benches", OptionList).highlighted = list(self._benches).index("ports")

    def _show_found(self) -> None:
        pane = self.query_one(FoundPane)
        width = max(20, self.size.width - 2)
        pane.set_height(min(6, max(3, len(pane.build(width, 0)))))
        pane.renew()

    # ------------------------------------------------------------------ procedures

    @work(thread=True, group="load")
    def _preload(self) -> None:
        """What the next screens need, while the person is still reading this one."""
        import benchctl.tui.screens.run
        import benchctl.tui.screens.verdict  # noqa: F401

        show_on(self, lambda: self._about(self._chosen("procedures")))

    @on(OptionList.OptionHighlighted, "#procedures")
    def _highlighted(self, event: OptionList.OptionHighlighted) -> None:
        self._starting = False
        self._about(event.option.id or "")

    def _about(self, name: str) -> None:
        pane = self.query_one(AboutPane)
        pane.procedure, pane.problem = self._loaded.get(name), ""
        if name == _FILE:
            pane.problem = "Press Enter to open a procedure file (TOML)."
        elif pane.procedure is None:
            self._load(name)
        pane.renew()

    @work(thread=True, group="load")
    def _load(self, name: str) -> None:
        from benchctl.procedure.file import load

        try:
            loaded: Procedure | str = load(self._procedures[name])
        except UsageError as e:
            loaded = str(e)
        show_on(self, self._loaded_one, name, loaded)

    def _loaded_one(self, name: str, loaded: Procedure | str) -> None:
        pane = self.query_one(AboutPane)
        if isinstance(loaded, str):
            if self._chosen("procedures") == name:
                pane.problem = loaded
        else:
            self._loaded[name] = loaded
            if self._chosen("procedures") == name:
                pane.procedure = loaded
        pane.renew()
        if self._starting:
            self.action_start()

    def _chosen(self, which: str) -> str:
        options = self.query_one(f"#{which}", OptionList)
        if options.highlighted is None:
            return ""
        return options.get_option_at_index(options.highlighted).id or ""

    # ------------------------------------------------------------------ files

    @on(OptionList.OptionSelected, "#procedures")
    @on(OptionList.OptionSelected, "#benches")
    def _selected(self, event: OptionList.OptionSelected) -> None:
        if event.option.id == _FILE:
            self._ask_for_file(event.option_list.id or "")
        elif event.option_list.id == "procedures":
            self.query_one("#benches").focus()
        else:
            self.query_one("#start").focus()

    def action_open(self) -> None:
        self._ask_for_file("benches" if self.query_one("#benches").has_focus else "procedures")

    def _ask_for_file(self, which: str) -> None:
        from benchctl.tui.screens.path import PathScreen

        what = "procedure" if which == "procedures" else "bench"
        self.app.push_screen(PathScreen(what), lambda path: self._opened(which, path))

    def _opened(self, which: str, path: Path | None) -> None:
        if path is None:
            return
        options = self.query_one(f"#{which}", OptionList)
        if which == "procedures":
            self._procedures[str(path)] = path
            fresh, names = self._procedure_options(), list(self._procedures)
        else:
            self._benches[str(path)] = ""
            fresh, names = self._bench_options(), list(self._benches)
        options.clear_options()
        options.add_options(fresh)
        options.highlighted = names.index(str(path))

    # ------------------------------------------------------------------ start

    @on(Button.Pressed, "#start")
    def _pressed(self) -> None:
        self.action_start()

    @on(Button.Pressed, "#person")
    @on(OptionList.OptionHighlighted, "#benches")
    def _who_answers(self, event: Button.Pressed | OptionList.OptionHighlighted) -> None:
        """Modelled benches have a modelled person; before real boards nobody else than you can answer."""
        if isinstance(event, Button.Pressed):
            self._person = not self._person
        real = self._chosen("benches") == "ports"
        self.query_one("#person", Button).label = _ANSWERS[self._person or real]

    @on(Input.Submitted)
    def _entered(self) -> None:
        self.focus_next()

    def action_start(self) -> None:
        """Start what is chosen, as soon as it has been read; what is missing is said."""
        about = self.query_one(AboutPane)
        self._starting = self._chosen("procedures") not in self._loaded and not about.problem
        if self._starting:
            return
        try:
            choice = self._choice()
        except UsageError as e:
            self.notify(str(e), severity="error", markup=False)
            return
        self.app.start_run(choice)  # type: ignore[attr-defined]

    def _choice(self) -> Choice:
        from benchctl.tui.link import Choice

        procedure, bench = self._loaded.get(self._chosen("procedures")), self._chosen("benches")
        if procedure is None:
            raise UsageError(self.query_one(AboutPane).problem)
        if bench in ("", _FILE):
            raise UsageError("Choose a bench first, or open a bench file.")
        seed = self._text("seed")
        labels = {role: self._text(role) for role in (Role.HAND, Role.CRAFT) if self._text(role)}
        if seed and not seed.lstrip("-").isdigit():
            raise UsageError(f"Seed {seed!r}: expected a whole number.")
        if bench == _PRACTICE:
            return Choice(procedure, random.choice(shipped.faulty_benches()), None, labels, self._person, hidden=True)
        return Choice(procedure, bench, int(seed) if seed else None, labels, self._person)

    def _text(self, which: str) -> str:
        return self.query_one(f"#{which}", Input).value.strip()

    def on_screen_resume(self, event: Any) -> None:
        self.call_after_refresh(self._show_found)
