"""Restarts of a pair as they show from outside: in its pulses, in the lines' rest, in its supply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: a steady train's frame that is so much longer or shorter than the median one is out of step
ODD_SHARE = 0.05
#: a train whose frames scatter by less is steady: made by a timer, not by a loop
_STEADY_SHARE = 0.01
#: of a train made by a loop only such a pause counts: no processor starts in less than its slowest start-up time of
#: 65 ms (data sheet "System Clock"), with which hobby boards are fused
_PAUSE_S = 0.065
#: a width so far from the others while the stick rests is another command's
_ELSEWHERE_US = 40.0
#: what comes so soon after another sign belongs to the same restart
_SAME_S = 0.15
#: after a movement of the stick the widths may follow for so long
_SETTLED_S = 0.5


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that a restart does. start, end: s. what: in a few words."""

    start: float
    end: float
    what: str


def in_pulses(pulses: Floats, until: float) -> list[Sign]:
    """Pauses and steps of a train. pulses: (n, 2), rise in s and width in µs; until: how long it was watched, s."""
    if len(pulses) < 10:
        return []
    rises = pulses[:, 0]
    frames = np.diff(np.append(rises, until))
    inner = frames[:-1]
    typical = float(np.median(inner))
    scatter = 1.4826 * float(np.median(np.abs(inner - typical)))
    if scatter < _STEADY_SHARE * typical:
        odd = np.abs(frames - typical) > ODD_SHARE * typical
        odd[-1] = frames[-1] > 2 * typical
    else:
        odd = frames > _PAUSE_S + 2 * float(np.quantile(inner, 0.95))
    return [Sign(float(rises[i]), float(rises[i] + frames[i]), _told(frames[i], typical)) for i in np.flatnonzero(odd)]


def _told(frame: float, typical: float) -> str:
    if frame > 1.5 * typical:
        return f"no pulse for {1e3 * frame:.0f} ms"
    return f"a frame of {1e3 * frame:.1f} ms among such of {1e3 * typical:.1f} ms"


def at_rest(pulses: Floats, moves: Sequence[float], until: float) -> list[Sign]:
    """Pulses that left their width and came back while the stick rested. moves: when it was moved, s."""
    out = []
    for begun, ended in zip(moves, [*moves[1:], until], strict=True):
        still = pulses[(pulses[:, 0] > begun + _SETTLED_S) & (pulses[:, 0] < ended)]
        if len(still) < 10:
            continue
        away = np.abs(still[:, 1] - np.median(still[:, 1])) > _ELSEWHERE_US
        edges = np.flatnonzero(np.diff(away.astype(int)))
        for first in (e + 1 for e in edges if not away[e]):
            last = next((e for e in edges if e >= first), len(still) - 1)
            what = f"pulses of {np.median(still[first : last + 1, 1]):.0f} µs while the stick rested"
            out.append(Sign(float(still[first, 0]), float(still[last, 0]), what))
    return out


def in_supply(seen: Sequence[tuple[float, float]], least_v: float) -> list[Sign]:
    """Samples (s, V) of a board's supply below the level at which its processor stops."""
    return [Sign(at, at, f"a supply of {volts:.1f} V") for at, volts in seen if volts < least_v]


def told_apart(signs: Sequence[Sign]) -> list[Sign]:
    """Signs that overlap, or nearly so, are of one restart: the first of each."""
    out: list[Sign] = []
    end = -np.inf
    for sign in sorted(signs, key=lambda s: s.start):
        if sign.start > end + _SAME_S:
            out.append(sign)
        end = max(end, sign.end)
    return out
