"""Runs of a campaign: recorded and summed up as any other, but nobody reads their reports."""

from __future__ import annotations

from benchctl.operate import Operation


class Unreported(Operation):
    """A run without its report files, which take a quarter of a short run's time."""

    def _write_reports(self) -> None:
        return
