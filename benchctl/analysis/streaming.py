"""Loss, bursts, quantiles and jitter of runs too long to hold, block by block and exact.

Delays are whole ticks of the boards' 0.5 µs timer, so counting how often each value came keeps every quantile
exact; memory grows with the largest delay and not with the number of packets. What is not a delay in ticks (a
host-side time, say) must be rounded by the caller first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.bursts import GMIN, loss_groups
from benchctl.analysis.latency import Jitter, quantile_ranks, rank_of, smoothed
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.tails import Floats, Ints
from benchctl.errors import UsageError
from benchctl.terms import Interval

#: delays below this many ticks (one second) are counted in an array, the few above in a sorted list
DENSE_TICKS = 2_000_000
#: packets handled at once inside, whatever the caller hands over
_CHUNK = 1 << 18
#: loss periods and distances longer than this are counted as this long
LONGEST = 4096


@dataclass(frozen=True, slots=True, eq=False)
class StreamSummary:
    """What a run of any length comes to.

    sent, lost: packets. loss_interval: exact. periods: loss periods; period_lengths[k], distances[k]: how
    many of length or distance k, the last entry "that or more" (RFC 3357). bursts, burst_packets, burst_lost:
    RFC 3611 with Gmin 16; the gaps are the rest. jitter: RFC 3550, in ticks.
    """

    sent: int
    lost: int
    loss_interval: Interval
    periods: int
    period_lengths: Ints
    distances: Ints
    bursts: int
    burst_packets: int
    burst_lost: int
    jitter: Jitter

    @property
    def received(self) -> int:
        return self.sent - self.lost

    @property
    def loss(self) -> float:
        return self.lost / self.sent if self.sent else math.nan

    @property
    def burst_density(self) -> float:
        return self.burst_lost / self.burst_packets if self.burst_packets else 0.0

    @property
    def gap_density(self) -> float:
        packets = self.sent - self.burst_packets
        return (self.lost - self.burst_lost) / packets if packets else 0.0


class PacketStream:
    """Takes received packets in order of sending and forgets them.

    Use: `add` blocks, then `summary`, `quantile` and `quantile_interval` at any moment. first: number of the
    first packet sent.
    """

    def __init__(self, first: int = 0) -> None:
        self._first = first
        self._last = first - 1
        self._received = 0
        self._counts = np.zeros(1024, np.int64)
        self._far_values: Ints = np.zeros(0, np.int64)
        self._far_counts: Ints = np.zeros(0, np.int64)
        self._period_lengths = np.zeros(LONGEST + 1, np.int64)
        self._distances = np.zeros(LONGEST + 1, np.int64)
        self._last_loss: int | None = None
        self._open: tuple[int, int, int] | None = None  # first, last and number of losses of the unfinished group
        self._bursts = self._burst_packets = self._burst_lost = 0
        self._previous: int | None = None
        self._jitter = self._jitter_sum = self._jitter_most = 0.0
        self._pairs = 0

    def add(self, sequence: npt.ArrayLike, ticks: npt.ArrayLike) -> None:
        """Received packets.

        sequence: their numbers, growing, shape (n,); a number that is left out was lost. ticks: their delays
        in whole ticks, not negative, shape (n,). Raises UsageError when shapes differ, numbers do not grow or
        a delay is negative.
        """
        numbers, delays = np.asarray(sequence), np.asarray(ticks)
        if numbers.shape != delays.shape or numbers.ndim != 1:
            raise UsageError(f"packets need a number and a delay each, got {numbers.shape} and {delays.shape}")
        for i in range(0, len(numbers), _CHUNK):
            part = delays[i : i + _CHUNK]
            self._count_losses(numbers[i : i + _CHUNK].astype(np.int64, copy=False))
            self._count_delays(part)
            self._follow_jitter(part)

    def _count_losses(self, numbers: Ints) -> None:
        steps = np.diff(numbers, prepend=self._last)
        if steps.min() < 1:
            raise UsageError("packet numbers must grow from packet to packet")
        where = np.flatnonzero(steps > 1)
        if len(where):
            lengths = steps[where] - 1
            self._count_runs(numbers[where] - lengths, lengths)
        self._last = int(numbers[-1])
        self._received += len(numbers)

    def _count_runs(self, starts: Ints, lengths: Ints) -> None:
        """Runs of losses, in order: into the period and distance counts, and into groups."""
        self._period_lengths += np.bincount(np.minimum(lengths, LONGEST), minlength=LONGEST + 1)
        ends = starts + lengths - 1
        between = starts[1:] - ends[:-1]
        if self._last_loss is not None:
            between = np.concatenate(([starts[0] - self._last_loss], between))
        self._distances += np.bincount(np.minimum(between, LONGEST), minlength=LONGEST + 1)
        self._distances[1] += int(lengths.sum()) - len(lengths)
        self._last_loss = int(ends[-1])
        first, last, count = loss_groups(starts, lengths)
        if self._open is not None and starts[0] - self._open[1] - 1 < GMIN:
            first[0], count[0] = self._open[0], count[0] + self._open[2]
        elif self._open is not None:
            self._close(np.array([self._open]))
        self._close(np.column_stack((first, last, count))[:-1])
        self._open = (int(first[-1]), int(last[-1]), int(count[-1]))

    def _close(self, groups: Ints) -> None:
        bursts = groups[groups[:, 2] >= 2]
        self._bursts += len(bursts)
        self._burst_packets += int((bursts[:, 1] - bursts[:, 0] + 1).sum())
        self._burst_lost += int(bursts[:, 2].sum())

    def _count_delays(self, ticks: npt.NDArray[np.generic]) -> None:
        low, high = int(ticks.min()), int(ticks.max())
        if low < 0:
            raise UsageError(f"a delay of {low} ticks is negative: the clocks are not related yet")
        near = ticks.astype(np.int64, copy=False)
        if high >= DENSE_TICKS:
            far = near >= DENSE_TICKS
            self._count_far(near[far])
            near = near[~far]
            high = int(near.max(initial=0))
        if high >= len(self._counts):
            size = min(DENSE_TICKS, max(high + 1, 2 * len(self._counts)))
            self._counts = np.concatenate((self._counts, np.zeros(size - len(self._counts), np.int64)))
        counts = np.bincount(near)
        self._counts[: len(counts)] += counts

    def _count_far(self, ticks: Ints) -> None:
        values = np.concatenate((self._far_values, ticks))
        weights = np.concatenate((self._far_counts, np.ones(len(ticks), np.int64)))
        self._far_values, place = np.unique(values, return_inverse=True)
        self._far_counts = np.bincount(place, weights).astype(np.int64)

    def _follow_jitter(self, ticks: npt.NDArray[np.generic]) -> None:
        delays = ticks.astype(np.float64)
        if self._previous is None:
            steps = np.abs(np.diff(delays))
        else:
            steps = np.abs(np.diff(delays, prepend=float(self._previous)))
        self._previous = int(delays[-1])
        if not len(steps):
            return
        series = smoothed(steps, self._jitter)
        self._pairs += len(series)
        self._jitter = float(series[-1])
        self._jitter_sum += float(series.sum())
        self._jitter_most = max(self._jitter_most, float(series.max()))

    def _groups(self) -> tuple[int, int, int]:
        """Bursts, their packets and their losses, the unfinished group included."""
        totals = self._bursts, self._burst_packets, self._burst_lost
        if self._open is None or self._open[2] < 2:
            return totals
        first, last, count = self._open
        return totals[0] + 1, totals[1] + last - first + 1, totals[2] + count

    def summary(self, sent: int | None = None, level: float = 0.95) -> StreamSummary:
        """The run so far. sent: packets sent in all, when more were sent after the last one received.

        Raises UsageError when fewer were sent than packet numbers were seen.
        """
        tail = self._tail(sent)
        final = self._finished(tail)
        known = self._last - self._first + 1 + tail
        lost = known - self._received
        pairs = self._pairs
        jitter = Jitter(
            self._jitter if pairs else math.nan,
            self._jitter_sum / pairs if pairs else math.nan,
            self._jitter_most if pairs else math.nan,
            pairs,
        )
        return StreamSummary(
            known,
            lost,
            clopper_pearson(lost, known, level),
            int(final._period_lengths.sum()),
            np.trim_zeros(final._period_lengths, "b"),
            np.trim_zeros(final._distances, "b"),
            *final._groups(),
            jitter,
        )

    def _tail(self, sent: int | None) -> int:
        seen = self._last - self._first + 1
        if sent is not None and sent < seen:
            raise UsageError(f"{sent} packets sent, but number {self._last} was received")
        return 0 if sent is None else sent - seen

    def _finished(self, tail: int) -> PacketStream:
        """A copy of the loss counts with `tail` packets lost at the end."""
        copy = PacketStream(self._first)
        copy._period_lengths, copy._distances = self._period_lengths.copy(), self._distances.copy()
        copy._last_loss, copy._open = self._last_loss, self._open
        copy._bursts, copy._burst_packets, copy._burst_lost = self._bursts, self._burst_packets, self._burst_lost
        if tail:
            copy._count_runs(np.array([self._last + 1]), np.array([tail]))
        return copy

    def _ranked(self, ranks: npt.ArrayLike) -> Floats:
        """Delays in ticks of ranks, from 1, among all packets, lost ones last and infinite."""
        wanted = np.asarray(ranks, np.int64)
        dense = np.cumsum(self._counts)
        near = np.searchsorted(dense, wanted).astype(np.float64)
        beyond = wanted - (dense[-1] if len(dense) else 0)
        far = np.searchsorted(np.cumsum(self._far_counts), beyond)
        far_values = np.append(self._far_values.astype(np.float64), math.inf)
        return np.where(beyond > 0, far_values[np.minimum(far, len(self._far_values))], near)

    def quantile(self, p: float, sent: int | None = None) -> float:
        """Exact quantile in ticks by the rule of RFC 2330, lost packets infinite; NaN when nothing was
        sent."""
        total = self._last - self._first + 1 + self._tail(sent)
        if not total:
            return math.nan
        rank = rank_of(total, p)
        return -math.inf if rank == 0 else float(self._ranked([rank])[0])

    def quantile_interval(self, p: float, sent: int | None = None, level: float = 0.95) -> Interval | None:
        """Order-statistic interval of the quantile in ticks; None where there are too few packets."""
        ranks = quantile_ranks(self._last - self._first + 1 + self._tail(sent), p, level)
        if ranks is None:
            return None
        low, high = self._ranked([ranks.low, ranks.high]).tolist()
        return Interval(low, high, level)
