"""Runs to be compared: one stage, with the values behind its reading."""

from __future__ import annotations

import numpy as np
from helpers_runs import Story

from benchctl import events as ev
from benchctl.terms import Interval, Source, Verdict

MARGINS = {
    "latency_p50": {"margin": 100.0, "relative": False, "better": "lower"},
    "missed": {"margin": 3.0, "relative": False, "better": "lower"},
}


def button_run(values: np.ndarray, missed: int = 0, images: dict[str, dict[str, str]] | None = None) -> list[ev.Event]:
    """A run of one stage, button_to_led, whose latencies are these, in µs."""
    story = Story()
    plan = (ev.StagePlan("button", "button_to_led", "Button to LED", (), MARGINS),)
    story.add(ev.RunStarted(0.0, "run", "2026-03-14T10:00:00Z", "0.1.0", "p", "", "b", "sim", "", True, 1, "none", plan,
                            images=images or {}))  # fmt: skip
    story.start("button")
    middle, half = float(np.median(values)), 200 / np.sqrt(len(values))
    about = Interval(middle - half, middle + half)
    story.read("button", "latency_p50", middle, "us", n=len(values), interval=about, source=Source.SAMPLING)
    share = Interval(0.0, 5.0)
    story.read("button", "missed", missed / 10, "%", n=1000, interval=share, source=Source.COUNTING)
    table = np.column_stack((np.arange(len(values)), values / 2, values))
    story.table("button", "latency_parts", "latency", {"at": "us", "sense": "us", "total": "us"}, table)
    story.end("button")
    story.finish(Verdict.PASS)
    return list(story.events)
