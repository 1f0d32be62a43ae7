"""Plots made of braille dots: lines or points over a grid of cells, with the ends of both axes in numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchctl.terms import readable
from benchctl.tui.curves import Curve
from benchctl.tui.widgets.lines import Line, Lines, fit, line, right
from benchctl.units import quantity

Floats = npt.NDArray[np.float64]
#: bit of each dot of a braille cell by row and column, Unicode block U+2800
_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.uint16)
_BLOCKS = "▁▂▃▄▅▆▇█"
_LEAST_HEIGHT = 5


def spark(values: Sequence[float]) -> str:
    """The values as a row of blocks, lowest to highest; a missing one is a blank."""
    known = [v for v in values if math.isfinite(v)]
    if not known:
        return ""
    low, span = min(known), (max(known) - min(known)) or 1.0
    return "".join(_BLOCKS[min(7, int(8 * (v - low) / span))] if math.isfinite(v) else " " for v in values)


def canvas(curve: Curve, width: int, height: int, low: float, high: float) -> list[str]:
    """The curve in `height` rows of `width` cells; y from `low` to `high`, x over what the curve has."""
    dots = np.zeros((4 * height, 2 * width), dtype=bool)
    good = np.isfinite(curve.x) & np.isfinite(curve.y)
    if good.any():
        first, last = float(curve.x[good].min()), float(curve.x[good].max())
        column = _scaled(curve.x, first, last, dots.shape[1])
        row = dots.shape[0] - 1 - _scaled(curve.y, low, high, dots.shape[0])
        if curve.joined:
            column, row = _connected(column, row, good)
            good = np.ones(len(column), dtype=bool)
        dots[row[good].astype(int), column[good].astype(int)] = True
    return _rows(dots)


def _scaled(values: Floats, low: float, high: float, size: int) -> Floats:
    span = (high - low) or 1.0
    found: Floats = np.clip(np.round((np.nan_to_num(values) - low) / span * (size - 1)), 0, size - 1)
    return found


def _connected(column: Floats, row: Floats, good: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Points filled in between neighbours, so that they make lines; gaps stay gaps."""
    columns, rows = [column[good][:1]], [row[good][:1]]
    for i in range(1, len(column)):
        if good[i - 1] and good[i]:
            steps = int(max(abs(column[i] - column[i - 1]), abs(row[i] - row[i - 1]), 1))
            columns.append(_between(column[i - 1], column[i], steps))
            rows.append(_between(row[i - 1], row[i], steps))
        elif good[i]:
            columns.append(column[i : i + 1])
            rows.append(row[i : i + 1])
    return np.concatenate(columns), np.concatenate(rows)


def _between(first: float, last: float, steps: int) -> Floats:
    found: Floats = np.round(first + (last - first) * np.arange(steps + 1) / steps).astype(np.float64)
    return found


def _rows(dots: npt.NDArray[np.bool_]) -> list[str]:
    height, width = dots.shape[0] // 4, dots.shape[1] // 2
    cells = dots.reshape(height, 4, width, 2).transpose(0, 2, 1, 3)
    codes = (cells * _DOTS).sum(axis=(2, 3))
    return ["".join(chr(0x2800 + int(c)) if c else " " for c in row) for row in codes]


def drawn(curve: Curve, width: int, height: int) -> list[Line]:
    """A plot with title and axes in `height` lines; what the axes show is written with units."""
    good = np.isfinite(curve.x) & np.isfinite(curve.y)
    axes = f"{curve.y_name} over {curve.x_name}" if curve.x_name else curve.y_name
    named = curve.title or readable(curve.name)
    title = f"{named}: {axes}" if named and named != curve.y_name else axes
    title = next((text for text in (title, axes, named) if text and len(text) <= width), axes)
    if curve.bars:
        return _bars(curve, title, width, height)
    if not good.any():
        return [line((fit(title, width), "strong")), line(("  nothing measured", "soft"))]
    low, high = _bounds(np.append(curve.y[good], curve.limits))
    top, bottom = _ends(high, low, curve.y_unit)
    margin = max(len(top), len(bottom)) + 1
    area = max(8, width - margin - 1)
    rows = canvas(curve, area, max(1, height - 2), low, high)
    drawn_at = {round((high - v) / (high - low) * (len(rows) - 1)) for v in curve.limits}
    rows = [row.replace(" ", "╌") if i in drawn_at else row for i, row in enumerate(rows)]
    out = [line((fit(title, width), "strong"))]
    for i, row in enumerate(rows):
        label = top if i == 0 else bottom if i == len(rows) - 1 else ""
        out.append(line((f"{right(label, margin - 1)} ┤" if label else f"{'':{margin}}│", "soft"), (row, "note")))
    begin = float(curve.x[good].min())
    begin_at = 0.0 if curve.x_name == "time" else begin  # time counts from the first measurement
    last, first = _ends(float(curve.x[good].max()) - begin + begin_at, begin_at, curve.x_unit)
    gap = max(1, area - len(first) - len(last))
    return [*out, line((f"{'':{margin + 1}}{first}{'':{gap}}{last}", "soft"))]


def _ends(high: float, low: float, unit: str) -> tuple[str, str]:
    """Both ends of an axis, in so many digits that they differ."""
    for digits in (3, 4, 5, 6, 8, 10):
        ends = quantity(high, unit, digits), quantity(low, unit, digits)
        if ends[0] != ends[1] or high == low:
            break
    return ends


def _bounds(values: Floats) -> tuple[float, float]:
    """What the y axis spans: from 0 where the values are all above and not far from it."""
    low, high = float(values.min()), float(values.max())
    if low >= 0 and low <= 0.5 * high:
        low = 0.0
    if high == low:
        high = low + (abs(low) * 0.1 or 1.0)
    return low, high


def _bars(curve: Curve, title: str, width: int, height: int) -> list[Line]:
    """A row for each value of each name: how much of the whole it is."""
    out = [line((fit(title, width), "strong"))]
    room = max(len(name) for name, _ in curve.bars) + 10
    area = max(8, width - room - 8)
    for name, values in curve.bars:
        for way, value in zip(("with", "without"), values, strict=True):
            label = f"{readable(name) if way == 'with' else '':{room - 10}} {way:8}"
            out.append(line((label, "soft"), ("█" * round(area * value / 100), "note"), (f" {value:.0f} %", "")))
    return out[:height]


class PlotPane(Lines):
    """As many of the newest curves as there is room for, the newest on top."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.curves: list[Curve] = []
        self.waiting = "A plot comes with the first measurements."

    def build(self, width: int, height: int) -> list[Line]:
        if not self.curves:
            return [line((fit(self.waiting, width), "soft"))]
        count = max(1, min(len(self.curves), height // (_LEAST_HEIGHT + 4), 3))
        each = max(_LEAST_HEIGHT, min(18, height // count))
        return [row for curve in self.curves[:count] for row in drawn(curve, width, each)]
