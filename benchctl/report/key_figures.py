"""The few numbers that say how good a pair is: the same on screen, report, sticker and certificate."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce

from benchctl.report import words
from benchctl.report.gauge import gauge
from benchctl.report.markup import Markup, el
from benchctl.report.readings_table import mark
from benchctl.runs.summary import Summary
from benchctl.terms import Reading, Verdict, readable


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """title: a word or two. reading: the worst of its kind in the run, None where it was not measured."""

    title: str
    stage: str
    reading: Reading | None

    @property
    def value(self) -> str:
        """ "0.40 %", "not measured"."""
        return words.value(self.reading) if self.reading is not None else "not measured"

    @property
    def whose(self) -> str:
        return readable(self.reading.subject) if self.reading is not None else ""

    @property
    def brief(self) -> str:
        """For a sticker: "loss 0.40 %"."""
        return f"{self.title} {self.value}"


#: title, readings by kind of stage, which of several is the worst
_WANTED: tuple[tuple[str, dict[str, tuple[str, ...]], Callable[[float, float], float]], ...] = (
    ("loss", {"radio_link": ("loss",), "sketch_link": ("loss",)}, max),
    ("control latency", {"button_to_led": ("latency_p95",), "gauge_switch_to_led": ("latency_p95",)}, max),
    (
        "cut-off",
        {"link_loss_cut": ("radio_cut", "host_cut", "hand_power_cut"), "gauge_cut_off": ("cut_off", "motor_cut_off")},
        max,
    ),
    ("supply margin", {"supply": ("brown_out_margin", "speed_margin")}, min),
)


def key_figures(s: Summary) -> list[KeyFigure]:
    """Loss, control latency, cut-off and supply margin, each the worst that was measured; none of a run without any."""
    found = [_worst(s, title, wanted, worse) for title, wanted, worse in _WANTED]
    return found if any(f.reading is not None for f in found) else []


def _worst(
    s: Summary, title: str, wanted: dict[str, tuple[str, ...]], worse: Callable[[float, float], float]
) -> KeyFigure:
    found = [
        (stage.name, r)
        for stage in s.stages.values()
        for r in stage.readings.values()
        if r.short_name in wanted.get(stage.kind, ()) and math.isfinite(r.value)
    ]
    if not found:
        return KeyFigure(title, "", None)
    extreme = reduce(worse, (r.value for _, r in found))
    return KeyFigure(title, *next((name, r) for name, r in found if r.value == extreme))


def strip(s: Summary, ranks: dict[str, str] | None = None) -> Markup | None:
    """The key figures side by side, each on its limit's bar. ranks: by title, "3rd best of 12"."""
    figures = key_figures(s)
    if not figures:
        return None
    return el("div", *(_card(f, (ranks or {}).get(f.title, "")) for f in figures), class_="keys")


def _card(f: KeyFigure, rank: str) -> Markup:
    r = f.reading
    if r is None:
        return el(
            "div", el("div", f.title, class_="soft"), el("div", "not measured", class_="number soft"), class_="key"
        )
    sign = el("span", f"{r.verdict.sign} ", class_=mark(r.verdict)) if r.verdict in _JUDGED and r.limit else None
    below = ", ".join(t for t in (words.limit(r), f.whose, rank) if t)
    return el(
        "div",
        el("div", f.title, class_="soft"),
        el("div", sign, f.value, class_="number"),
        el("div", gauge([r]), class_="gauge"),
        el("div", below, class_="soft"),
        class_="key",
        title=r.called,
    )


_JUDGED = frozenset((Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED))
