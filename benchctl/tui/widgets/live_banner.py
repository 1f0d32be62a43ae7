"""Two lines that are always there: whether outputs that can hurt are live, and which key stops the run."""

from __future__ import annotations

from collections.abc import Sequence

from benchctl.report import words
from benchctl.runs.summary import RunState, Summary
from benchctl.tui.widgets.lines import Line, Lines, fit, line
from benchctl.units import number

#: the stop key as it is named everywhere; the others do the same
STOP_KEY = "Ctrl+X"
OTHER_STOP_KEYS = "so do Ctrl+C and F10"
#: the longest that fits is shown, so that no sentence of these is ever cut
_IDLE = (f"○ Outputs idle.  {STOP_KEY} stops the run at any moment; {OTHER_STOP_KEYS}.",
         f"○ Outputs idle.  {STOP_KEY} stops the run at any moment.", f"○ Idle.  {STOP_KEY} stops.")  # fmt: skip
_PLUG = ("  The battery plug or supply switch is the emergency stop; the key is not.",
         "  Emergency stop: battery plug or supply switch.", "  Emergency: pull the plug.")  # fmt: skip


def longest(forms: Sequence[str], width: int) -> str:
    """The first form that fits the width, else the last one."""
    return next((f for f in forms if len(f) <= width), forms[-1])


def banner(summary: Summary, stopping: str, over: bool, width: int) -> list[Line]:
    """The two lines, each `width` cells. stopping: which boards a stop has reached, "" without one.

    over: the run's thread has ended, with or without a record.
    """
    if summary.live is not None:
        cap = f"throttle at most {number(100 * summary.live.cap)} %" if summary.live.cap else ""
        what = words.clean(summary.live.text).removeprefix("OUTPUTS LIVE: ")
        emergency = " Emergency stop: battery plug or supply switch."
        told = f"{emergency}   {words.sentence(what)}"
        head = f" ▲ OUTPUTS LIVE    {STOP_KEY} STOPS    {cap}"
        if stopping:
            head = " ■ STOPPING, live until idle.  Emergency stop: battery plug or supply switch."
            return [line((fit(head, width), "live")), line((fit(f" {stopping}", width), "live"))]
        return [
            line((fit(head, width), "live")),
            line((fit(told if len(told) <= width else emergency, width), "live")),
        ]
    if over:
        return [line("○ Outputs idle: the run is over."), line((fit(stopping, width), "soft"))]
    if stopping and summary.state in (RunState.RUNNING, RunState.WAITING):
        return [line(("■ Stopping.", "strong")), line((fit(stopping, width), "strong"))]
    if summary.state in (RunState.RUNNING, RunState.WAITING):
        told = longest(_IDLE, width)
        more = longest(_PLUG, width)
        return [line(fit(told, width)), line((fit(more, width), "soft"))]
    return [line("○ Outputs idle: writing the record."), ()]


class LiveBanner(Lines):
    """Always two lines high, so that nothing jumps when outputs become live."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.summary = Summary()
        self.stopping = ""
        self.over = False

    def build(self, width: int, height: int) -> list[Line]:
        return banner(self.summary, self.stopping, self.over, width)
