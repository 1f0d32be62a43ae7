"""A reading drawn against its limit: the allowed zone, the interval, the value. The number stands beside it."""

from __future__ import annotations

import math

from benchctl.report.markup import Markup, el
from benchctl.terms import Reading, Verdict

_WIDE, _HIGH, _EDGE = 100.0, 12.0, 4.0


def gauge(r: Reading) -> Markup | None:
    """An <svg>, or None where there is no limit or nothing was measured."""
    if r.limit is None or (r.limit.min is None and r.limit.max is None) or not math.isfinite(r.value):
        return None
    low, high = _range(r)
    place = _Scale(low, high)
    zone = (place(r.limit.min if r.limit.min is not None else low), place(_top(r, high)))
    colour = {Verdict.PASS: "var(--pass)", Verdict.FAIL: "var(--fail)"}.get(r.verdict, "var(--undecided)")  # type: ignore[arg-type]
    middle = _HIGH / 2
    parts = [
        el("line", x1=0, x2=_WIDE, y1=middle, y2=middle, stroke="var(--line)", stroke_width=1),
        el("rect", x=zone[0], y=2, width=max(1.0, zone[1] - zone[0]), height=_HIGH - 4, rx=2, fill="var(--band)"),
    ]
    if r.interval is not None:
        ends = place(r.interval.low), place(r.interval.high)
        parts.append(el("line", x1=ends[0], x2=ends[1], y1=middle, y2=middle, stroke=colour, stroke_width=2))
    parts.append(el("circle", cx=place(r.value), cy=middle, r=3, fill=colour))
    size = {"viewBox": f"0 0 {_WIDE:g} {_HIGH:g}", "width": f"{_WIDE:g}", "height": f"{_HIGH:g}"}
    return el("svg", *parts, **size, aria_hidden="true")


def _top(r: Reading, high: float) -> float:
    return r.limit.max if r.limit is not None and r.limit.max is not None else high


class _Scale:
    """From a value to a place on the drawing; what lies outside is drawn at the edge."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.span = low, high - low

    def __call__(self, value: float) -> float:
        part = (value - self.low) / self.span if math.isfinite(value) else math.copysign(2.0, value)
        return round(_EDGE + (_WIDE - 2 * _EDGE) * min(1.0, max(0.0, part)), 1)


def _range(r: Reading) -> tuple[float, float]:
    """What the drawing spans: the limits and the value, and 0 where the limit has one side only."""
    assert r.limit is not None
    bounds = [b for b in (r.limit.min, r.limit.max) if b is not None]
    points = [*bounds, r.value] + ([0.0] if len(bounds) == 1 else [])
    low, high = min(points), max(points)
    span = (high - low) or abs(high) or 1.0
    return low - (0.0 if low == 0 else 0.12 * span), high + 0.12 * span
