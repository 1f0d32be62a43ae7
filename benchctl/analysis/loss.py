"""Packet loss as a proportion: intervals, claims, drift over a run, retransmissions.

The sequential decision is in `sequential`; its names are offered here too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.sequential import Characteristic, Decision, SequentialPlan, SequentialTest
from benchctl.analysis.tails import (
    Ints,
    beta_quantile,
    check_counts,
    check_level,
    normal_quantile,
    normal_tail,
)
from benchctl.errors import UsageError
from benchctl.terms import Interval

__all__ = [
    "Characteristic",
    "Decision",
    "Drift",
    "Retransmissions",
    "SequentialPlan",
    "SequentialTest",
    "clopper_pearson",
    "loss_drift",
    "retransmissions",
]


def clopper_pearson(lost: int, sent: int, level: float = 0.95) -> Interval:
    """Exact interval of the proportion lost/sent (Clopper and Pearson 1934): coverage at least `level`.

    0 to 1 when nothing was sent. Raises UsageError when lost is not within 0..sent.
    """
    check_counts(lost, sent)
    tail = (1.0 - check_level(level)) / 2.0
    low = 0.0 if lost == 0 else beta_quantile(tail, lost, sent - lost + 1)
    high = 1.0 if lost == sent else beta_quantile(1.0 - tail, lost + 1, sent - lost)
    return Interval(low, high, level)


@dataclass(frozen=True, slots=True)
class Drift:
    """Change of the loss rate over time.

    slope: loss rate per unit of time, least squares; interval: of the slope, None below five lost or five
    arrived packets. z, p_value: score test of "no trend" (Cochran 1954, Armitage 1955), two-sided; NaN and 1
    where all packets fared alike.
    """

    slope: float
    interval: Interval | None
    z: float
    p_value: float


def loss_drift(times: npt.ArrayLike, lost: npt.ArrayLike, level: float = 0.95) -> Drift:
    """Trend of the loss over a run.

    times, lost: shape (n,), one entry a packet; or groups, with `lost` of shape (n, 2): lost and sent.
    Raises UsageError when the shapes differ.
    """
    t = np.asarray(times, np.float64)
    counts = np.asarray(lost)
    hits, trials = (counts[:, 0], counts[:, 1]) if counts.ndim == 2 else (counts, np.ones(len(t)))
    if t.shape != hits.shape:
        raise UsageError(f"{len(t)} times for {len(hits)} packets")
    hits, trials = hits.astype(np.float64), trials.astype(np.float64)
    sent, gone = float(trials.sum()), float(hits.sum())
    if sent == 0 or gone in (0.0, sent):
        return Drift(0.0, None, math.nan, 1.0)
    p = gone / sent
    centred = t - float((t * trials).sum()) / sent
    scatter = float((trials * centred**2).sum())
    if scatter == 0:
        return Drift(0.0, None, math.nan, 1.0)
    moment = float((centred * hits).sum())
    slope = moment / scatter
    z = moment / math.sqrt(p * (1 - p) * scatter)
    return Drift(slope, _slope_interval(centred, hits, trials, p, slope, level), z, 2 * normal_tail(abs(z)))


def _slope_interval(
    centred: npt.NDArray[np.float64],
    hits: npt.NDArray[np.float64],
    trials: npt.NDArray[np.float64],
    p: float,
    slope: float,
    level: float,
) -> Interval | None:
    """Normal interval with the heteroscedasticity-consistent variance (White 1980): loss has no even
    variance."""
    if min(hits.sum(), (trials - hits).sum()) < 5:
        return None
    fit = p + slope * centred
    squares = hits * (1 - fit) ** 2 + (trials - hits) * fit**2
    error = math.sqrt(float((centred**2 * squares).sum())) / float((trials * centred**2).sum())
    half = normal_quantile((1 + check_level(level)) / 2) * error
    return Interval(slope - half, slope + half, level)


@dataclass(frozen=True, slots=True)
class Retransmissions:
    """What the acknowledged link had to repeat.

    counts[k]: delivered packets that needed k repeats. given_up: packets never acknowledged. share: of
    delivered packets that needed any, with interval. attempt_loss: lost among single attempts (a lost
    acknowledgement counts as lost), with interval. mean, most: repeats per delivered packet.
    """

    counts: Ints
    given_up: int
    share: float
    share_interval: Interval
    attempt_loss: float
    attempt_interval: Interval
    mean: float
    most: int


def retransmissions(repeats: npt.ArrayLike, delivered: npt.ArrayLike, level: float = 0.95) -> Retransmissions:
    """Statistics of ARC_CNT (nRF24L01+ Product Specification, Table 28: repeats of the present packet).

    repeats: ints, shape (n,). delivered: bools, shape (n,), false where the sender gave up.
    Raises UsageError when shapes differ or a count is negative.
    """
    arc, ok = np.asarray(repeats, np.int64), np.asarray(delivered, np.bool_)
    if arc.shape != ok.shape or (arc < 0).any():
        raise UsageError("repeats and delivered must be of one length, repeats not negative")
    counts = np.bincount(arc[ok], minlength=1).astype(np.int64)
    arrived, repeated = int(ok.sum()), int((arc[ok] > 0).sum())
    attempts = int(arc.sum()) + len(arc)
    failed = attempts - arrived
    return Retransmissions(
        counts=counts,
        given_up=len(arc) - arrived,
        share=repeated / arrived if arrived else math.nan,
        share_interval=clopper_pearson(repeated, arrived, level),
        attempt_loss=failed / attempts if attempts else math.nan,
        attempt_interval=clopper_pearson(failed, attempts, level),
        mean=float(arc[ok].mean()) if arrived else math.nan,
        most=int(arc[ok].max()) if arrived else 0,
    )
