"""Asks for a procedure or bench file."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label, OptionList

_MOST = 200


class PathScreen(ModalScreen[Path | None]):
    """Type a path, or pick one of the TOML files here. Gives the path, or None."""

    BINDINGS: ClassVar = [Binding("escape", "cancel", "Cancel")]

    def __init__(self, what: str) -> None:
        super().__init__()
        self._what = what

    def compose(self) -> ComposeResult:
        with Vertical(id="dialog"):
            yield Label(f"Path of a {self._what} file (Esc leaves)")
            yield Input(placeholder="name.toml", id="path")
            files = OptionList(*_files(Path.cwd()), id="files", markup=False)
            files.border_title = "TOML files here"
            yield files

    @on(Input.Submitted)
    def _typed(self, event: Input.Submitted) -> None:
        self._take(Path(event.value).expanduser())

    @on(OptionList.OptionSelected)
    def _picked(self, event: OptionList.OptionSelected) -> None:
        self._take(Path(str(event.option.prompt)))

    def _take(self, path: Path) -> None:
        if path.is_file():
            self.dismiss(path.resolve())
        else:
            self.notify(f"{path}: there is no such file.", severity="error", markup=False)

    def action_cancel(self) -> None:
        self.dismiss(None)


def _files(folder: Path) -> list[str]:
    try:
        return sorted(str(p.relative_to(folder)) for p in folder.glob("*.toml"))[:_MOST]
    except OSError:
        return []
