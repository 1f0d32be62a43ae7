"""The block-wise statistics are exactly those of the whole run, whatever the blocks."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchctl.analysis import bursts, latency
from benchctl.analysis.streaming import PacketStream
from benchctl.errors import UsageError


def run_of(seed, count, rate, scale=300):
    """A run: lost flags, and sequence numbers with delays in ticks of what arrived."""
    rng = np.random.default_rng(seed)
    lost = rng.random(count) < rate
    lost |= np.roll(lost, 1) & (rng.random(count) < 0.5)
    sequence = np.flatnonzero(~lost)
    return lost, sequence, rng.exponential(scale, len(sequence)).astype(np.int64)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**31), st.integers(2, 2000), st.floats(0, 0.95), st.integers(25, 700))
def test_blocks_change_nothing(seed, count, rate, size):
    lost, sequence, ticks = run_of(seed, count, rate)
    stream = PacketStream()
    for i in range(0, len(sequence), size):
        stream.add(sequence[i : i + size], ticks[i : i + size])
    found, whole = stream.summary(sent=count), bursts.gaps_and_bursts(lost)

    assert (found.sent, found.lost) == (count, lost.sum())
    assert (found.bursts, found.burst_packets, found.burst_lost) == (
        whole.bursts,
        whole.burst_packets,
        whole.burst_lost,
    )
    assert found.gap_density == pytest.approx(whole.gap_density)
    assert found.period_lengths.tolist() == np.trim_zeros(np.bincount(bursts.period_lengths(lost)), "b").tolist()
    distances = bursts.loss_distances(lost)[lost][1:]
    assert found.distances.tolist() == np.trim_zeros(np.bincount(distances), "b").tolist()
    wanted = latency.jitter(ticks)
    assert found.jitter.pairs == wanted.pairs
    if wanted.pairs:
        assert (found.jitter.final, found.jitter.mean, found.jitter.largest) == pytest.approx(
            (wanted.final, wanted.mean, wanted.largest)
        )


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**31), st.integers(1, 2000), st.floats(0.0, 0.3), st.floats(0.001, 1))
def test_quantiles_are_exact(seed, count, rate, p):
    """Lost packets count as infinite, and their interval ends are order statistics of the same sample."""
    lost, sequence, ticks = run_of(seed, count, rate)
    delays = np.full(count, math.inf)
    delays[~lost] = ticks
    stream = PacketStream()
    if len(sequence):
        stream.add(sequence, ticks)

    assert stream.quantile(p, sent=count) == latency.quantile(delays, p)
    if 0 < p < 1:
        assert stream.quantile_interval(p, sent=count) == latency.quantile_interval(delays, p)


def test_delays_of_seconds_are_exact_too():
    """A few delays lie beyond the counted range."""
    ticks = np.array([5, 3_000_000, 7, 2_500_000, 2_500_000, 1_999_999])
    stream = PacketStream(first=100)
    stream.add(np.arange(100, 106), ticks)

    assert [stream.quantile(k / 6) for k in range(1, 7)] == sorted(ticks.tolist())


def test_tail_of_lost_packets():
    """Sent but never seen: lost, and in the open burst."""
    stream = PacketStream()
    stream.add([0, 1, 2], [10, 10, 10])

    assert stream.summary(sent=5).lost == 2
    assert stream.summary(sent=5).bursts == 1
    assert stream.summary().lost == 0


def test_nothing_received():
    found = PacketStream().summary()

    assert (found.sent, found.lost) == (0, 0)
    assert math.isnan(found.loss)
    assert math.isnan(PacketStream().quantile(0.5))
    assert PacketStream().quantile_interval(0.5) is None


def test_memory_does_not_grow_with_the_run():
    """Counts and totals only: after 40 blocks the state is as large as after one."""
    stream, sizes = PacketStream(), []
    rng = np.random.default_rng(1)
    for block in range(40):
        kept = np.flatnonzero(rng.random(20_000) > 0.3) + 20_000 * block
        stream.add(kept, rng.integers(0, 5000, len(kept)))
        arrays = [v for v in vars(stream).values() if isinstance(v, np.ndarray)]
        sizes.append(sum(a.nbytes for a in arrays))

    assert sizes[-1] == sizes[1]


@pytest.mark.parametrize(
    ("sequence", "ticks", "text"),
    [([3, 3], [1, 1], "grow"), ([1, 2], [1, -1], "negative"), ([1, 2], [1], "number and a delay")],
)
def test_nonsense_is_refused(sequence, ticks, text):
    with pytest.raises(UsageError, match=text):
        PacketStream().add(sequence, ticks)


def test_fewer_sent_than_received_is_refused():
    stream = PacketStream()
    stream.add([0, 9], [1, 1])
    with pytest.raises(UsageError, match="sent"):
        stream.summary(sent=5)
