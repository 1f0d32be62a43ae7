"""Energy scan: how busy each channel is, which one is quietest, which Wi-Fi channel a hump may be.

Channel n is centred on 2400 + n MHz (nRF24L01+ Product Specification, section 6.3). "Busy" is one reading of
the received-power detector, -64 dBm at room temperature (section 6.4). Wi-Fi centres are 2407 + 5 k MHz for k
= 1 to 13 and 2484 MHz for 14 (IEEE 802.11 channel tables).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.tails import Floats, Ints
from benchctl.errors import UsageError
from benchctl.terms import Interval

CHANNELS = 126
#: last channel that stays below 2483.5 MHz in most places; one less for 2 Mbit/s, which is 2 MHz wide
LAST_FREE = 83
#: first channel offered: below 2402 MHz the edge of the band is near
FIRST_FREE = 2
WIFI_CHANNELS = range(1, 15)


@dataclass(frozen=True, slots=True)
class Occupancy:
    """One channel of a scan: readings with energy, all readings, their share and its exact interval."""

    channel: int
    busy: int
    samples: int
    share: float
    interval: Interval

    @property
    def mhz(self) -> int:
        return 2400 + self.channel


def occupancy(busy: npt.ArrayLike, samples: npt.ArrayLike, level: float = 0.95) -> tuple[Occupancy, ...]:
    """Occupancy of channels 0, 1, 2, …

    busy: readings with energy, shape (n,); samples: readings taken, shape (n,) or one number.
    Raises UsageError when a count exceeds its samples or more than 126 channels are given.
    """
    hits = np.asarray(busy, np.int64)
    tries = np.broadcast_to(np.asarray(samples, np.int64), hits.shape)
    if hits.ndim != 1 or len(hits) > CHANNELS:
        raise UsageError(f"a scan has at most {CHANNELS} channels in one row, got shape {hits.shape}")
    return tuple(_one(i, int(h), int(n), level) for i, (h, n) in enumerate(zip(hits, tries, strict=True)))


def _one(channel: int, hits: int, tries: int, level: float) -> Occupancy:
    share = hits / tries if tries else math.nan
    return Occupancy(channel, hits, tries, share, clopper_pearson(hits, tries, level))


def half_width(rate: int) -> int:
    """Channels on each side that a packet at `rate` bit/s reaches into: 1 MHz wide at 250k and 1M, 2 MHz at
    2M (section 6.3: neighbours 1 and 2 MHz apart do not overlap)."""
    return 1 if rate == 2_000_000 else 0


def last_channel(rate: int) -> int:
    """Last channel usually allowed at `rate`: 83, and 82 at 2 Mbit/s."""
    return LAST_FREE - half_width(rate)


@dataclass(frozen=True, slots=True)
class QuietChannel:
    """The advice of a scan.

    channel: to use. share, interval: occupancy over the width of a packet there. margin: channels to the
    nearest one whose occupancy is at least the threshold. clear: the upper end of the interval is below it.
    """

    channel: int
    share: float
    interval: Interval
    margin: int
    clear: bool


def quietest_channel(
    scan: tuple[Occupancy, ...],
    rate: int = 1_000_000,
    *,
    first: int = FIRST_FREE,
    last: int | None = None,
    threshold: float = 0.05,
) -> QuietChannel:
    """The channel to use: least energy over the packet's width, then farthest from any busy channel, then
    lowest.

    Counts that chance alone explains are no reason to prefer a channel: all whose share is not above the
    upper end of the best one count as equally quiet. Raises UsageError when the scan covers no channel of the
    range.
    """
    reach = half_width(rate)
    wanted = last_channel(rate) if last is None else last
    end = min(wanted, len(scan) - 1 - reach)
    choices = [c for c in range(max(first, reach), end + 1) if _samples(scan, c, reach)]
    if not choices:
        raise UsageError(f"the scan covers no channel from {first} to {wanted}")
    spans = {c: _span(scan, c, reach) for c in choices}
    best = min(spans[c].interval.high for c in choices)
    alike = [c for c in choices if spans[c].share <= best]
    busy = np.array([o.channel for o in scan if o.samples and o.share >= threshold], np.int64)
    chosen = max(alike, key=lambda c: (_margin(busy, c), -spans[c].share, -c))
    found = spans[chosen]
    return QuietChannel(chosen, found.share, found.interval, _margin(busy, chosen), found.interval.high < threshold)


def _samples(scan: tuple[Occupancy, ...], channel: int, reach: int) -> int:
    return sum(o.samples for o in scan[channel - reach : channel + reach + 1])


def _span(scan: tuple[Occupancy, ...], channel: int, reach: int) -> Occupancy:
    """Occupancy pooled over a packet's width."""
    part = scan[channel - reach : channel + reach + 1]
    return _one(channel, sum(o.busy for o in part), sum(o.samples for o in part), part[0].interval.level)


def _margin(busy: Ints, channel: int) -> int:
    return int(np.abs(busy - channel).min()) if len(busy) else CHANNELS


def wifi_centre(wifi: int) -> int:
    """Centre in MHz of a Wi-Fi channel, 1 to 14. Raises UsageError for others."""
    if wifi not in WIFI_CHANNELS:
        raise UsageError(f"Wi-Fi channels are 1 to 14, got {wifi}")
    return 2484 if wifi == 14 else 2407 + 5 * wifi


def wifi_span(wifi: int, width: int = 20) -> tuple[int, int]:
    """First and last transceiver channel whose centre lies in a Wi-Fi channel `width` MHz wide (22 for
    11b)."""
    middle = wifi_centre(wifi) - 2400
    return middle - width // 2, middle + width // 2


@dataclass(frozen=True, slots=True)
class Hump:
    """A stretch of busy channels, and the Wi-Fi channel that would explain it, None where none does."""

    first: int
    last: int
    share: float
    wifi: int | None
    overlap: float


def humps(scan: tuple[Occupancy, ...], threshold: float = 0.05, bridge: int = 2) -> tuple[Hump, ...]:
    """Stretches of channels with occupancy of at least `threshold`; holes of up to `bridge` channels are
    bridged.

    A stretch is ascribed to the Wi-Fi channel whose 20 MHz fit it best, when the two share at least 60 % of
    what they cover together; narrower ones (cordless devices, Bluetooth, other radio controls) to none.
    """
    where = [o.channel for o in scan if o.samples and o.share >= threshold]
    if not where:
        return ()
    marks = np.array(where)
    cuts = np.flatnonzero(np.diff(marks) > bridge + 1) + 1
    return tuple(_hump(scan, int(part[0]), int(part[-1])) for part in np.split(marks, cuts))


def _hump(scan: tuple[Occupancy, ...], first: int, last: int) -> Hump:
    part = scan[first : last + 1]
    share = sum(o.busy for o in part) / max(1, sum(o.samples for o in part))
    best, wifi = max((_overlap(first, last, *wifi_span(k)), -k) for k in WIFI_CHANNELS)
    return Hump(first, last, share, -wifi if best >= 0.6 else None, best)


def _overlap(first: int, last: int, low: int, high: int) -> float:
    """Common channels over channels covered by either."""
    common = max(0, min(last, high) - max(first, low) + 1)
    return common / ((last - first + 1) + (high - low + 1) - common)


def shares(scan: tuple[Occupancy, ...]) -> Floats:
    """Occupancy per channel as an array, NaN where nothing was sampled."""
    return np.array([o.share for o in scan])
