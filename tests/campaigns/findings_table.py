"""The findings campaign's score as Markdown, between marks of its own in DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from benchctl.analysis.loss import clopper_pearson

if TYPE_CHECKING:
    from findings_campaign import Score

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
#: (what, part, whole, goal in words, least share or None, most share or None)
RATES: tuple[tuple[str, str, str, str, float | None, float | None], ...] = (
    ("single faults that fail a limit: ranked first", "single first", "single", "at least 95 %", 0.95, None),
    ("the same: in the first two", "single in two", "single", "at least 99 %", 0.99, None),
    ("pairs of faults: both in the first three", "pair both", "pair", "at least 85 %", 0.85, None),
    ("the same, each severe enough to fail a limit when alone", "pair severe, both", "pair severe", "", None, None),
    ("the same, both looked at by some stage", "pair looked at, both", "pair looked at", "", None, None),
    ("the same, each seen in some reading", "pair traced, both", "pair traced", "", None, None),
    ("healthy benches with a finding", "healthy with a finding", "healthy", "at most 1 %", None, 0.01),
    ("faults too mild to fail a limit: named all the same", "mild named", "mild", "", None, None),
)


def table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    return ["| " + " | ".join(cells) + " |" for cells in (head, ("---",) * len(head), *rows)]


def as_markdown(score: Score) -> str:
    """Rates with their 95 % intervals, reliability of the confidence, confusion."""
    found = score.squares
    brier = f"{sum(found) / len(found):.4f}" if found else "none"
    return "\n".join(
        (
            *table(("what", "goal", "found", "of", "95 % interval", ""), _rates(score)),
            "",
            f"Brier score of the stated confidences: {brier}, over {len(found)} findings.",
            "",
            *table(("stated", "right", "findings"), _reliability(score)),
            "",
            "Single faults that fail a limit, by what was drawn; others that were ranked first:",
            "",
            *table(("drawn", "ranked first", "of", "instead"), _confusion(score)),
        )
    )


def _rates(score: Score) -> Iterable[tuple[str, ...]]:
    for what, part, whole, goal, least, most in RATES:
        k, n = score.counts[part], score.counts[whole]
        if n:
            share, between = k / n, clopper_pearson(k, n).scaled(100)
            met = (least is None or share >= least) and (most is None or share <= most)
            sign = ("met" if met else "missed") if goal else ""
            yield what, goal, f"{100 * share:.1f} %", str(n), f"{between.low:.1f} to {between.high:.1f} %", sign


def _reliability(score: Score) -> Iterable[tuple[str, ...]]:
    for n, rights in sorted(score.bins.items()):
        yield f"{10 * n} to {10 * n + 10} %", f"{100 * sum(rights) / len(rights):.1f} %", str(len(rights))


def _confusion(score: Score) -> Iterable[tuple[str, ...]]:
    for drawn, got in sorted(score.confusion.items()):
        others = ", ".join(f"{name} {n}" for name, n in got.most_common() if name != drawn)
        yield drawn, str(got[drawn]), str(sum(got.values())), others


def write(text: str, kind: str, command: str, page: Path = PAGE) -> None:
    """Put the tables between the marks of this kind of bench; where there are none, with them before the changelog."""
    begin, end = f"<!-- findings {kind}: begin -->", f"<!-- findings {kind}: end -->"
    block = f"{begin}\n`{command}`\n\n{text}\n{end}"
    whole = page.read_text(encoding="utf-8")
    if begin in whole:
        before, _, rest = whole.partition(begin)
        whole = before + block + rest.partition(end)[2]
    else:
        title = "" if "## Findings" in whole else "## Findings\n\n"
        whole = whole.replace("## Changelog", f"{title}{block}\n\n## Changelog", 1)
    page.write_text(whole, encoding="utf-8")
