"""Loss periods (RFC 3357), gaps and bursts (RFC 3611), Gilbert models."""


import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.analysis import bursts


def lost_at(count, *where):
    flags = np.zeros(count, bool)
    flags[list(where)] = True
    return flags


#: RFC 3357 sections 5.4.3 and 6.5: ten packets, numbers 2, 5, 7, 9, 10 (from 1) lost
TEN = lost_at(10, 1, 4, 6, 8, 9)
#: RFC 3357 section 4: r r r x r r x x x r x r r x x x
SIXTEEN = np.array([c == "x" for c in "rrrxrrxxxrxrrxxx"])
#: own example: 100 packets
HUNDRED = lost_at(100, 10, 30, 32, 33, 60, 80, 81)
#: RFC 3611 section 4.7.2: losses and discards of the pattern as printed (63 packets)
PATTERN = lost_at(63, 4, 23, 27, 29, 34, 53)


def test_burst_of_the_report_block_example():
    """RFC 3611 section 4.7.2: one burst of 12 packets with 4 lost; gaps of 23 and 28 with 2 lost.

    The RFC prints density bytes 84 and 10; its own rule (integer part of 256 times) gives 85 and 10: within
    1.
    """
    found = bursts.gaps_and_bursts(PATTERN)

    assert (found.starts.tolist(), found.ends.tolist()) == ([23], [34])
    assert (found.burst_packets, found.burst_lost) == (12, 4)
    assert (found.gaps, found.gap_packets, found.gap_lost) == (2, 51, 2)
    assert pytest.approx(found.density_bytes, abs=1) == (84, 10)


def test_bursts_of_our_example():
    """The definition of RFC 3611 section 4.7.2 applied by hand to 100 packets."""
    found = bursts.gaps_and_bursts(HUNDRED)

    assert (found.starts.tolist(), found.ends.tolist()) == ([30, 80], [33, 81])
    assert (found.burst_packets, found.burst_lost, found.mean_burst) == (6, 5, 3)
    assert (found.gap_packets, found.gap_lost) == (94, 2)
    assert found.density_bytes == (213, 5)


@pytest.mark.parametrize(("good", "count"), [(15, 1), (16, 0)])
def test_gmin_is_the_edge(good, count):
    """RFC 3611: two losses with 15 good packets between are a burst (the sparsest, 1/16 apart), with 16
    not."""
    assert bursts.gaps_and_bursts(lost_at(60, 20, 21 + good)).bursts == count


def test_no_loss_and_only_loss():
    assert bursts.gaps_and_bursts(np.zeros(5, bool)).gaps == 1
    assert bursts.gaps_and_bursts(np.zeros(5, bool)).burst_density == 0
    everything = bursts.gaps_and_bursts(np.ones(5, bool))
    assert (everything.burst_packets, everything.gaps, everything.density_bytes) == (5, 0, (255, 0))
    assert bursts.gaps_and_bursts([]).gap_packets == 0


def groups_one_by_one(flags, gmin):
    """The same definition as a plain loop."""
    found, last = [], None
    for i, lost in enumerate(flags):
        if lost:
            if last is not None and i - last - 1 < gmin:
                found[-1].append(i)
            else:
                found.append([i])
            last = i
    return [g for g in found if len(g) >= 2]


@given(st.lists(st.booleans(), max_size=200), st.integers(1, 20))
def test_bursts_equal_a_plain_loop(flags, gmin):
    wanted = groups_one_by_one(flags, gmin)

    found = bursts.gaps_and_bursts(np.array(flags, bool), gmin)

    assert [g[0] for g in wanted] == found.starts.tolist()
    assert [g[-1] for g in wanted] == found.ends.tolist()
    assert sum(map(len, wanted)) == found.burst_lost
    assert found.burst_lost + found.gap_lost == sum(flags)
    assert found.burst_packets + found.gap_packets == len(flags)


def test_second_example():
    """RFC 3357 section 4: four periods, from packets 3, 6, 10, 13; the lengths and distances by its
    definitions."""
    starts, lengths = bursts.loss_runs(SIXTEEN)

    assert starts.tolist() == [3, 6, 10, 13]
    assert lengths.tolist() == [1, 3, 1, 3]
