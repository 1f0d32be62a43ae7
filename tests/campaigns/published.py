"""Tables of the campaigns in DEVELOPERS.md, each between comment marks of its own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

PAGE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"


def put(name: str, title: str, lines: Iterable[str], page: Path = PAGE) -> None:
    """Put the lines between the marks called `name`; as a section before the changelog where there are none yet."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    block = "\n".join((begin, *lines, end))
    text = page.read_text("utf-8")
    if begin in text:
        before, _, rest = text.partition(begin)
        text = before + block + rest.partition(end)[2]
    else:
        before, mark, after = text.partition("## Changelog")
        text = f"{before}## {title}\n\n{block}\n\n{mark}{after}"
    page.write_text(text, "utf-8")
