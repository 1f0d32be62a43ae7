"""How losses cluster: loss distances and periods (RFC 3357), gaps and bursts (RFC 3611), Gilbert models.

`lost` is always a sequence of bools in sending order, true where the packet was lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.tails import Bools, Floats, Ints
from benchctl.errors import UsageError
from benchctl.terms import Interval

#: good packets that end a burst, RFC 3611 section 4.7.2
GMIN = 16


def _flags(lost: npt.ArrayLike) -> Bools:
    flags = np.asarray(lost, np.bool_)
    if flags.ndim != 1:
        raise UsageError(f"losses must be one row of bools, not of shape {flags.shape}")
    return flags


def loss_runs(lost: npt.ArrayLike) -> tuple[Ints, Ints]:
    """Runs of consecutive losses: index of the first packet of each, and lengths."""
    steps = np.diff(np.concatenate(([0], _flags(lost).view(np.int8), [0])))
    starts = np.flatnonzero(steps == 1)
    return starts, np.flatnonzero(steps == -1) - starts


def loss_distances(lost: npt.ArrayLike) -> Ints:
    """Loss distance of every packet (RFC 3357 section 4): 0 where it arrived and at the first loss."""
    flags = _flags(lost)
    where = np.flatnonzero(flags)
    out = np.zeros(len(flags), np.int64)
    out[where[1:]] = np.diff(where)
    return out


def loss_periods(lost: npt.ArrayLike) -> Ints:
    """Number of the loss period of every packet, from 1; 0 where it arrived (RFC 3357 section 4)."""
    flags = _flags(lost)
    begins = flags & ~np.concatenate(([False], flags[:-1]))
    return np.where(flags, np.cumsum(begins), 0).astype(np.int64)


def noticeable_rate(lost: npt.ArrayLike, delta: int) -> float:
    """Share of losses no further than `delta` from the loss before (RFC 3357 section 5.1); NaN without loss.

    The first loss has distance 0 by definition and is never counted as near.
    """
    flags = _flags(lost)
    distances = loss_distances(flags)[flags]
    return float(((distances > 0) & (distances <= delta)).mean()) if len(distances) else math.nan


def period_lengths(lost: npt.ArrayLike) -> Ints:
    """Packets in each loss period (RFC 3357 section 5.3)."""
    return loss_runs(lost)[1]


def period_distances(lost: npt.ArrayLike) -> Ints:
    """From the last loss of one period to the first of the next (RFC 3357 section 5.4); 0 for the first."""
    starts, lengths = loss_runs(lost)
    return np.concatenate((np.zeros(min(1, len(starts)), np.int64), starts[1:] - (starts + lengths - 1)[:-1]))


@dataclass(frozen=True, slots=True)
class GapsBursts:
    """Gaps and bursts of RFC 3611 section 4.7.2.

    starts, ends: first and last packet of each burst. *_packets, *_lost: totals over all bursts and all gaps.
    gaps: number of stretches outside bursts that hold a packet.
    """

    starts: Ints
    ends: Ints
    burst_packets: int
    burst_lost: int
    gaps: int
    gap_packets: int
    gap_lost: int

    @property
    def bursts(self) -> int:
        return len(self.starts)

    @property
    def burst_density(self) -> float:
        """Share lost inside bursts; 0 without bursts."""
        return self.burst_lost / self.burst_packets if self.burst_packets else 0.0

    @property
    def gap_density(self) -> float:
        """Share lost outside bursts; 0 without gaps."""
        return self.gap_lost / self.gap_packets if self.gap_packets else 0.0

    @property
    def mean_burst(self) -> float:
        """Mean burst length in packets; 0 without bursts."""
        return self.burst_packets / self.bursts if self.bursts else 0.0

    @property
    def mean_gap(self) -> float:
        """Mean gap length in packets; 0 without gaps."""
        return self.gap_packets / self.gaps if self.gaps else 0.0

    @property
    def density_bytes(self) -> tuple[int, int]:
        """Burst and gap density as the report block carries them: integer part of 256 times, at most 255."""
        return min(255, int(256 * self.burst_density)), min(255, int(256 * self.gap_density))


def loss_groups(starts: Ints, lengths: Ints, gmin: int = GMIN) -> tuple[Ints, Ints, Ints]:
    """Losses that belong together: fewer than `gmin` good packets between neighbours.

    starts, lengths: runs of losses as `loss_runs` gives them. Returns first packet, last packet and number of
    losses of each group.
    """
    if not len(starts):
        return starts, starts.copy(), starts.copy()
    ends = starts + lengths - 1
    begins = np.concatenate(([True], starts[1:] - ends[:-1] - 1 >= gmin))
    first = np.flatnonzero(begins)
    last = np.concatenate((first[1:], [len(starts)])) - 1
    return starts[first], ends[last], np.add.reduceat(lengths, first)


def gaps_and_bursts(lost: npt.ArrayLike, gmin: int = GMIN) -> GapsBursts:
    """Bursts: groups of at least two losses with fewer than `gmin` good packets between neighbours, from
    first to last loss; all else is gap (RFC 3611 section 4.7.2, straight from the definition). Good packets
    are assumed before the first and after the last packet. Raises UsageError for gmin < 1.
    """
    if gmin < 1:
        raise UsageError(f"Gmin must be at least 1, got {gmin}")
    flags = _flags(lost)
    first, last, count = loss_groups(*loss_runs(flags), gmin)
    burst = count >= 2
    starts, ends = first[burst], last[burst]
    inside, burst_lost = int((ends - starts + 1).sum()), int(count[burst].sum())
    bounds = np.concatenate((starts, [len(flags)])) - np.concatenate(([0], ends + 1))
    outside, gap_lost = len(flags) - inside, int(count.sum()) - burst_lost
    return GapsBursts(starts, ends, inside, burst_lost, int((bounds > 0).sum()), outside, gap_lost)


@dataclass(frozen=True, slots=True)
class Gilbert:
    """Two-state model in which every packet in the bad state is lost (Gilbert 1960, simple form).

    p: chance good to bad, r: chance bad to good, each with its exact interval; NaN where the sequence never
    leaves that state.
    """

    p: float
    r: float
    p_interval: Interval
    r_interval: Interval

    @property
    def loss(self) -> float:
        return self.p / (self.p + self.r) if self.p + self.r else math.nan

    @property
    def mean_burst(self) -> float:
        return 1 / self.r if self.r else math.inf

    @property
    def mean_gap(self) -> float:
        return 1 / self.p if self.p else math.inf


def fit_gilbert(lost: npt.ArrayLike, level: float = 0.95) -> Gilbert:
    """Transition chances by counting (maximum likelihood). NaN for a state that the sequence never is in."""
    flags = _flags(lost)
    before, after = flags[:-1], flags[1:]
    goods, bads = int((~before).sum()), int(before.sum())
    falls, rises = int((~before & after).sum()), int((before & ~after).sum())
    return Gilbert(
        falls / goods if goods else math.nan,
        rises / bads if bads else math.nan,
        clopper_pearson(falls, goods, level),
        clopper_pearson(rises, bads, level),
    )


@dataclass(frozen=True, slots=True)
class GilbertElliott:
    """Two-state model with losses in both states (Elliott 1963).

    p, r: chances good to bad and bad to good. keep_good, keep_bad: chance that a packet arrives in each
    state. log_likelihood: of the sequence under the model.
    """

    p: float
    r: float
    keep_good: float
    keep_bad: float
    log_likelihood: float = math.nan

    @property
    def share_bad(self) -> float:
        return self.p / (self.p + self.r)

    @property
    def loss(self) -> float:
        bad = self.share_bad
        return (1 - self.keep_good) * (1 - bad) + (1 - self.keep_bad) * bad


def fit_gilbert_elliott(lost: npt.ArrayLike) -> GilbertElliott | None:
    """Maximum likelihood over the four chances; None below ten loss periods or ten good stretches."""
    flags = _flags(lost)
    starts, lengths = loss_runs(flags)
    if len(starts) < 10 or len(flags) - int(lengths.sum()) < 10:
        return None
    from scipy.optimize import minimize

    simple = fit_gilbert(flags)
    sizes = _stretches(flags)
    best = None
    for p, r, kg, kb in (
        (simple.p, min(simple.r, 0.99), 0.9999, 0.02),
        (simple.p / 4, simple.r / 4, 0.999, 0.5),
        (simple.p / 20, simple.r / 20, 1 - simple.loss / 3, 0.7),
    ):
        start = [math.log(x / (1 - x)) for x in (p, r, kg, kb)]
        found = minimize(lambda v: -_log_likelihood(sizes, *_chances(v)), start, method="Nelder-Mead")
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    p, r, kg, kb = _chances(best.x)
    if kg < kb:
        p, r, kg, kb = r, p, kb, kg
    return GilbertElliott(p, r, kg, kb, -float(best.fun))


def _chances(logits: Floats) -> tuple[float, float, float, float]:
    p, r, kg, kb = (1 / (1 + np.exp(-np.clip(logits, -30, 30)))).tolist()
    return p, r, kg, kb


def _stretches(flags: Bools) -> tuple[Ints, int]:
    """Good packets before each loss, and after the last one."""
    where = np.flatnonzero(flags)
    return np.diff(np.concatenate(([-1], where))) - 1, len(flags) - 1 - int(where[-1])


def _log_likelihood(sizes: tuple[Ints, int], p: float, r: float, kg: float, kb: float) -> float:
    """Of the whole sequence, as a product of one 2 x 2 matrix a loss: stretches of good packets are matrix
    powers by eigenvalues, and the product is folded pairwise, so the cost grows with the losses only."""
    before, after = sizes
    move = np.array([[1 - p, p], [r, 1 - r]])
    arrive, lose = np.diag([kg, kb]) @ move, np.diag([1 - kg, 1 - kb]) @ move
    values, vectors = np.linalg.eig(arrive)
    back = np.linalg.inv(vectors)
    grown = values ** np.append(before, after)[:, None]
    powers = np.real((vectors * grown[:, None, :]) @ back)
    chain = np.concatenate((powers[:-1] @ lose, powers[-1:]))
    scale = 0.0
    while len(chain) > 1:
        if len(chain) % 2:
            chain = np.concatenate((chain, np.eye(2)[None]))
        chain = chain[0::2] @ chain[1::2]
        norm = np.maximum(np.abs(chain).sum(axis=(1, 2)), 1e-300)
        scale += float(np.log(norm).sum())
        chain /= norm[:, None, None]
    total = p + r
    whole = float(np.array([r / total, p / total]) @ chain[0] @ np.ones(2))
    return scale + math.log(whole) if whole > 0 else -1e300
