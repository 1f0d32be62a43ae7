"""Fewer points for a drawing, none of the extremes lost."""

from __future__ import annotations

import math

import numpy as np

from benchctl.analysis.tails import Floats


def thinned(x: Floats, y: Floats, most: int) -> tuple[Floats, Floats]:
    """About `most` points at most: the least and the greatest `y` of each stretch, in the order of `x`."""
    if len(x) <= most:
        return x, y
    size = math.ceil(2 * len(x) / most)
    keep: list[int] = []
    for start in range(0, len(y), size):
        part = y[start : start + size]
        if np.isfinite(part).any():
            keep += sorted({start + int(np.nanargmin(part)), start + int(np.nanargmax(part))})
    return x[keep], y[keep]
