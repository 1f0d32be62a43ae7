"""What campaigns and benchmarks found, each in a file of its own below `results`, written by the command in it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

RESULTS = Path(__file__).resolve().parent / "results"


def path(name: str, folder: Path = RESULTS) -> Path:
    """The file of the results called `name`, which may have spaces."""
    return folder / f"{name.replace(' ', '-')}.md"


def put(name: str, title: str, lines: Iterable[str], folder: Path = RESULTS) -> None:
    """Write the results called `name`, in place of what an earlier run found. Markdown, without the title."""
    folder.mkdir(exist_ok=True)
    path(name, folder).write_text("\n".join((f"# {title}", "", *lines)) + "\n", "utf-8")
