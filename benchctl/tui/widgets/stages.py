"""The procedure's stages with the state of each as a sign and a word."""

from __future__ import annotations

from benchctl.runs.summary import StageState, StageSummary, Summary
from benchctl.terms import readable
from benchctl.tui.widgets.lines import Line, Lines, fit, line

TONES = {"pass": "good", "fail": "bad", "undecided": "warn", "not run": "soft", "running": "strong", "waiting": "soft"}
_STATE_WIDTH = 9


def stage_line(stage: StageSummary, width: int) -> Line:
    """Sign, name, and the state in a word."""
    tone = TONES.get(stage.word, "")
    name = fit(stage.title or readable(stage.name), width - _STATE_WIDTH - 3)
    plain = "" if stage.state is not StageState.RUNNING else "strong"
    return line((f"{stage.sign} ", tone), (name, plain), (f" {stage.word}", tone))


class StagesPane(Lines):
    """All stages; the running one is kept in view."""

    can_focus = True

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.summary = Summary()
        self._followed = ""

    def build(self, width: int, height: int) -> list[Line]:
        return [stage_line(s, width) for s in self.summary.stages.values()]

    def renew(self) -> None:
        super().renew()
        current = self.summary.current
        if current and current != self._followed:
            self._followed = current
            place = list(self.summary.stages).index(current)
            self.scroll_to(y=max(0, place - self.size.height // 2), animate=False)
