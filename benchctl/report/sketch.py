"""A run's raw measurements as histograms of text characters, for logs and failed tests."""

from __future__ import annotations

import numpy as np

from benchctl.report.overlay import TIMES, Overlay
from benchctl.report.plots import Loader
from benchctl.runs.summary import Summary

#: of one run, and columns of a line
MOST, WIDE = 8, 78


def sketches(s: Summary, load: Loader) -> list[str]:
    """Lines: per column of a table its name, its histogram and its span; those of stages that did not pass first."""
    stages = sorted(s.stages.values(), key=lambda stage: not stage.failed_readings)
    out: list[str] = []
    for table in (t for stage in stages for t in stage.tables.values()):
        data = load(table)
        for i, column in enumerate(table.columns):
            values = data[:, i][np.isfinite(data[:, i])]
            if column in TIMES or len(values) < 2 or values.min() == values.max():
                continue
            row, _, scale = Overlay(
                table.stage, column, table.units[i], (), values, values
            ).lines(WIDE, (column, column))  # fmt: skip
            out += [f"{table.stage}.{table.name}", row, scale]
            if len(out) >= 3 * MOST:
                return out
    return out
