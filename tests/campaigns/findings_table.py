"""The findings campaign's score as Markdown."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from benchctl.analysis.loss import clopper_pearson
from tests.campaigns import published

if TYPE_CHECKING:
    from findings_campaign import Score

TITLES = {"sim": "Findings on simulated benches", "avr": "Findings with the firmware's image"}
NOTES = (
    "What a fault hides cannot be found: a transceiver that cannot be read hides what is wrong with its supply, its aerial",
    "or the air; a motor stage does not run after a stage that it needs has failed. So pairs are told twice: all, and those",
    "in which something of either was looked at.",
    "",
    "Not told apart with certainty: a regulator at its limit and a joint of tens of ohms, when an amplified transceiver",
    "forgets its settings as soon as it listens; both let the rail go at about the same rate. On `avr` a CSN line shorted to",
    "ground, or exchanged with CE, passes for an open SCK line: the model drives MISO by the processor's own CSN pin there.",
)
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


def write(text: str, kind: str, command: str) -> None:
    """The tables of this kind of bench, into the results."""
    published.put(f"findings {kind}", TITLES[kind], [f"`{command}`", "", text, "", *NOTES])
