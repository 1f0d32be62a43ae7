"""Readings drawn against their limit: the allowed zone, the interval, the value. The number stands beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchctl.report.markup import Markup, el
from benchctl.terms import Limit, Reading, Verdict

_WIDE, _HIGH, _EDGE = 100.0, 12.0, 4.0


def gauge(readings: Sequence[Reading]) -> Markup | None:
    """An <svg> of readings with one limit in common; None where there is no limit or nothing was measured.

    The first is a filled dot, the second an open one.
    """
    limit, measured = readings[0].limit, [r for r in readings if math.isfinite(r.value)]
    if limit is None or (limit.min is None and limit.max is None) or not measured:
        return None
    low, high = _range(limit, [r.value for r in measured])
    place = _Scale(low, high)
    zone = (place(low if limit.min is None else limit.min), place(high if limit.max is None else limit.max))
    middle = _HIGH / 2
    parts = [
        el("line", x1=0, x2=_WIDE, y1=middle, y2=middle, stroke="var(--line)", stroke_width=1),
        el("rect", x=zone[0], y=2, width=max(1.0, zone[1] - zone[0]), height=_HIGH - 4, rx=2, fill="var(--band)"),
    ]
    for i, r in enumerate(measured):
        parts += _reading(r, place, middle, filled=r is readings[0] or i == 0)
    size = {"viewBox": f"0 0 {_WIDE:g} {_HIGH:g}", "width": f"{_WIDE:g}", "height": f"{_HIGH:g}"}
    return el("svg", *parts, **size, aria_hidden="true")


_COLOURS = {Verdict.PASS: "var(--pass)", Verdict.FAIL: "var(--fail)"}


def _reading(r: Reading, place: _Scale, middle: float, filled: bool) -> list[Markup]:
    colour = _COLOURS.get(r.verdict, "var(--undecided)") if r.verdict else "var(--soft)"
    look = {"fill": colour} if filled else {"fill": "var(--paper)", "stroke": colour, "stroke_width": 1.3}
    out = [el("circle", cx=place(r.value), cy=middle, r=2.8, **look)]
    if r.interval is not None:
        ends = place(r.interval.low), place(r.interval.high)
        out.insert(0, el("line", x1=ends[0], x2=ends[1], y1=middle, y2=middle, stroke=colour, stroke_width=2))
    return out


class _Scale:
    """From a value to a place on the drawing; what lies outside is drawn at the edge."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.span = low, high - low

    def __call__(self, value: float) -> float:
        part = (value - self.low) / self.span if math.isfinite(value) else math.copysign(2.0, value)
        return round(_EDGE + (_WIDE - 2 * _EDGE) * min(1.0, max(0.0, part)), 1)


def _range(limit: Limit, values: list[float]) -> tuple[float, float]:
    """What the drawing spans: the limits and the values, and 0 where the limit has one side only."""
    bounds = [b for b in (limit.min, limit.max) if b is not None]
    points = [*bounds, *values] + ([0.0] if len(bounds) == 1 else [])
    low, high = min(points), max(points)
    span = (high - low) or abs(high) or 1.0
    return low - (0.0 if low == 0 else 0.12 * span), high + 0.12 * span
