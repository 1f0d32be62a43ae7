"""Energy scans: occupancy, quiet channel, Wi-Fi overlays."""

import math

import numpy as np
import pytest

from benchctl.analysis import spectrum
from benchctl.errors import UsageError


def scan_with(samples=400, **stretches):
    """A scan with busy readings: first_last=count."""
    busy = np.zeros(spectrum.CHANNELS, int)
    for name, count in stretches.items():
        first, last = map(int, name.removeprefix("c").split("_"))
        busy[first : last + 1] = count
    return spectrum.occupancy(busy, samples)


# 2407 + 5 n MHz, channel 14 at 2484 (wireless drivers of several operating systems; IEEE 802.11 from memory)
@pytest.mark.parametrize(
    ("wifi", "centre", "narrow", "wide"),
    [
        (1, 2412, (2, 22), (1, 23)),
        (6, 2437, (27, 47), (26, 48)),
        (11, 2462, (52, 72), (51, 73)),
        (13, 2472, (62, 82), (61, 83)),
        (14, 2484, (74, 94), (73, 95)),
    ],
)
def test_wifi_overlay(wifi, centre, narrow, wide):
    assert spectrum.wifi_centre(wifi) == centre
    assert spectrum.wifi_span(wifi) == narrow
    assert spectrum.wifi_span(wifi, 22) == wide


def test_default_channel_lies_in_wifi_1():
    """RF_CH resets to 2 (nRF24L01+ Product Specification, table 28)."""
    low, high = spectrum.wifi_span(1)

    assert low <= 2 <= high


def test_last_channels():
    """2483.5 MHz ends the band in most places (from memory: FCC 15.247, EN 300 328)."""
    assert [spectrum.last_channel(r) for r in (250_000, 1_000_000, 2_000_000)] == [83, 83, 82]


def test_occupancy_carries_exact_intervals():
    found = scan_with(c5_5=4, samples=20)[5]

    assert (found.share, found.mhz) == (0.2, 2405)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.0573, 0.4366), abs=5e-5)  # scipy


@pytest.mark.parametrize("rate", [250_000, 1_000_000, 2_000_000])
def test_quietest_channel_keeps_clear_of_wifi(rate):
    """Wi-Fi on 1, 6 and 11: only the upper end is free, and a packet's width is clear too."""
    scan = scan_with(c2_22=120, c27_47=80, c52_72=60)
    found = spectrum.quietest_channel(scan, rate)

    assert 73 < found.channel <= spectrum.last_channel(rate)
    assert found.clear
    assert found.share == 0


def test_a_quiet_channel_between_is_not_better_than_a_wide_gap():
    scan = scan_with(c0_40=100, c42_60=100)

    assert spectrum.quietest_channel(scan).channel == 83
    assert spectrum.quietest_channel(scan, last=60).channel == 41


def test_wide_packets_need_both_neighbours():
    """One quiet channel between two humps carries 1 Mbit/s, not 2 Mbit/s."""
    scan = scan_with(c0_40=100, c42_78=100)

    assert spectrum.quietest_channel(scan, 2_000_000, last=78).share > 0.1
    assert spectrum.quietest_channel(scan, 1_000_000, last=78).share == 0


def test_nowhere_quiet_is_said():
    found = spectrum.quietest_channel(scan_with(c0_125=100))

    assert not found.clear
    assert found.share == 0.25


def test_a_single_stray_reading_decides_nothing():
    """One hit in 400 on the far channels is chance; the advice still goes where the distance is."""
    scan = scan_with(c27_47=100, c80_83=1)

    assert spectrum.quietest_channel(scan).channel >= 80


@pytest.mark.parametrize("wifi", range(1, 14))
def test_humps_are_told_apart(wifi):
    low, high = spectrum.wifi_span(wifi)
    (found,) = spectrum.humps(scan_with(**{f"c{low}_{high}": 90}))

    assert (found.first, found.last, found.wifi) == (low, high, wifi)


def test_narrow_hump_is_no_wifi():
    (found,) = spectrum.humps(scan_with(c40_42=200))

    assert found.wifi is None
    assert found.share == 0.5


def test_unsampled_channels_are_unknown():
    scan = spectrum.occupancy([0, 0], [10, 0])

    assert math.isnan(spectrum.shares(scan)[1])
    assert scan[1].interval.high == 1


@pytest.mark.parametrize(("busy", "samples"), [([5], 3), ([0] * 127, 1)])
def test_impossible_scans_are_refused(busy, samples):
    with pytest.raises(UsageError):
        spectrum.occupancy(busy, samples)


def test_scan_outside_the_band_gives_no_advice():
    with pytest.raises(UsageError, match="covers no channel"):
        spectrum.quietest_channel(spectrum.occupancy([0], 10))


def test_silence_has_no_humps():
    assert spectrum.humps(scan_with()) == ()
