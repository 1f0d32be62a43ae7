"""How losses cluster: loss distances and periods (RFC 3357), gaps and bursts (RFC 3611), Gilbert models.

`lost` is always a sequence of bools in sending order, true where the packet was lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.tails import Bools, Ints
from benchctl.errors import UsageError

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


def period_lengths(lost: npt.ArrayLike) -> Ints:
    """Packets in each loss period (RFC 3357 section 5.3)."""
    return loss_runs(lost)[1]


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
