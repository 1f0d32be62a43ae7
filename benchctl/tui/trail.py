"""How provisional readings firm up over a stage: what a live plot shows before the raw measurements are in."""

from __future__ import annotations

import numpy as np

from benchctl import events as ev
from benchctl.terms import Reading
from benchctl.tui.curves import Curve, ends
from benchctl.units import shown

_MOST = 400


class Trail:
    """Values of readings that came more than once, by stage and name."""

    def __init__(self) -> None:
        self._points: dict[tuple[str, str], list[tuple[float, float]]] = {}
        self._latest: dict[tuple[str, str], Reading] = {}

    def see(self, event: ev.Event) -> None:
        if not isinstance(event, ev.ReadingTaken):
            return
        key = (event.stage, event.reading.name)
        if not event.final or key in self._points:
            points = self._points.setdefault(key, [])
            self._latest[key] = event.reading
            points.append((event.t, event.reading.value))
            if len(points) > _MOST:
                del points[1:-1:2]

    def curves(self, stage: str) -> list[tuple[float, list[Curve]]]:
        """One curve a reading, over the time of the run, each with the time of its last point."""
        out = []
        for key, points in self._points.items():
            if key[0] == stage and len(points) > 1:
                t, y = np.array(points).T
                latest = self._latest[key]
                limit = latest.limit
                lines = ends(limit) if limit is not None else ()
                curve = Curve("", t - t[0], y, "", "s", f"{latest.called} so far", shown(latest.unit), limits=lines)
                out.append((float(t[-1]), [curve]))
        return out
