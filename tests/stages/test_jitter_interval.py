"""The interval of the mean jitter, from packets some of which are lost."""

from __future__ import annotations

import numpy as np

from benchctl.analysis import latency as lat
from benchctl.stages.radio_link import _jitter_interval


def test_a_stretch_without_a_pair_of_packets_leaves_no_interval() -> None:
    """One tenth of the packets is lost in a row: its jitter is not known, so nothing is said of the scatter."""
    delays = np.random.default_rng(1).normal(500.0, 5.0, 400)
    assert _jitter_interval(delays, lat.jitter(delays).mean) is not None

    delays[:40] = np.inf
    assert np.isfinite(lat.jitter(delays).mean)
    assert _jitter_interval(delays, lat.jitter(delays).mean) is None
