"""The air between the boards: path loss, fading, interference, collisions, and who hears what.

A packet's bits fail independently with the bit error rate of non-coherent frequency-shift keying,
0.5·exp(−snr/2), its noise chosen so that the rate is 0.1 % at the published sensitivity. Interference adds to that
noise, weighted so that 0.1 % is reached at the published carrier-to-interference ratio. Sources: nRF24L01+ Product
Specification v1.0, Tables 8 and 9 (sensitivity, maximum input; selectivity figures from memory); the error law is that
of the textbooks. The slopes for overload and for crystals too far apart are judgement.
"""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import dataclass
from typing import Any, Protocol

from benchctl.parts.air_noise import Fading, Interferer, OnOff, bursts_of
from benchctl.parts.nrf24_frame import Frame

#: dBm for 0.1 % bit errors, by rate
SENSITIVITY_DBM = (-94.0, -85.0, -82.0)
#: signal over noise, in dB, that gives 0.1 % bit errors
SNR_AT_SENSITIVITY_DB = 10.0 * math.log10(2.0 * math.log(500.0))
#: allowed difference of two crystals of ±60 ppm each, and the loss beyond it
CRYSTALS_APART_PPM, CRYSTAL_DB_PER_PPM = 120.0, 0.5
#: signal over distortion just at the maximum input, and how fast it falls above
OVERLOAD_SNR_DB, OVERLOAD_DB_PER_DB = 30.0, 6.0
#: receiver bandwidth in MHz, by rate
BANDWIDTH_MHZ = (1.0, 1.0, 2.0)
#: needed carrier over interference in dB, by rate: (from this many MHz off, dB), from memory of the data sheet
SELECTIVITY: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0, 12), (1, -12), (2, -33), (3, -38), (6, -50), (25, -60)),
    ((0, 9), (1, 8), (2, -20), (3, -30), (6, -40), (25, -47)),
    ((0, 7), (2, 3), (4, -17), (6, -21), (12, -40), (36, -48)),
)

#: what becomes of a packet at a receiver
LOST, HEARD, DAMAGED = 0, 1, 2


@dataclass(frozen=True)
class AirConfig:
    """The room. All paths between boards are alike unless set one by one with `Air.set_path_loss`.

    path_loss_db: antenna to antenna. fade_sigma_db, fade_time_s: slow log-normal fading and its correlation time.
    deep_fade_db, deep_fade_rate_hz, deep_fade_ms: deep fades, mean rate and mean length.
    max_input_dbm: receivers overload above it.
    """

    path_loss_db: float = 50.0
    fade_sigma_db: float = 0.0
    fade_time_s: float = 0.5
    deep_fade_db: float = 0.0
    deep_fade_rate_hz: float = 0.0
    deep_fade_ms: float = 20.0
    max_input_dbm: float = 0.0
    interferers: tuple[Interferer, ...] = ()


class Antenna(Protocol):
    """What the air must know of whoever hears or sends. The figures are constant."""

    name: str
    antenna_loss_db: float
    lna_gain_db: float
    crystal_ppm: float


class Station(Antenna, Protocol):
    """A transceiver: it also wants to know of packets."""

    def frame_over(self, frame: Frame) -> None:
        """A packet of another station has just ended."""


def needed_ratio_db(rate: int, offset_mhz: float) -> float:
    """Carrier over interference in dB for 0.1 % bit errors, with the interferer this far off."""
    needed = SELECTIVITY[rate][0][1]
    for start, ratio in SELECTIVITY[rate]:
        if offset_mhz >= start:
            needed = ratio
    return float(needed)


def bit_error_rate(snr: float) -> float:
    """Of a linear signal-to-noise ratio."""
    return 0.5 * math.exp(-0.5 * snr)


class Air:
    """All stations and everything that is on the air. `chance` decides; the processes have their own seeds from it."""

    def __init__(self, chance: random.Random, config: AirConfig | None = None) -> None:
        self.config = config or AirConfig()
        self.stations: list[Any] = []
        self._chance = chance
        self._seed = chance.getrandbits(62)
        self._bursts: list[tuple[Interferer, OnOff]] = [
            (one, bursts_of(one, self._seed ^ (number + 1) << 20)) for number, one in enumerate(self.config.interferers)
        ]
        self._losses: dict[frozenset[int], float] = {}
        self._fadings: dict[frozenset[int], Fading] = {}
        self._fades = self.config.fade_sigma_db > 0 or self.config.deep_fade_db > 0
        self._steady: dict[tuple[Any, Any, int, int, float], float] = {}
        self._recent: list[Frame] = []
        self._busy_until = -1.0
        self._stuck: list[Frame] = []  # carriers without an end yet

    # -- the stations -------------------------------------------------------------------------------------------

    def join(self, station: Station) -> None:
        """Another station hears and is heard."""
        self.stations.append(station)

    def set_path_loss(self, one: Antenna, other: Antenna, loss_db: float) -> None:
        """Antenna to antenna, both ways, from now on."""
        self._losses[frozenset((id(one), id(other)))] = loss_db
        self._steady.clear()

    def path_loss_db(self, one: Antenna, other: Antenna) -> float:
        """Loss between two aerials, dB."""
        return self._losses.get(frozenset((id(one), id(other))), self.config.path_loss_db)

    def _fading(self, one: Antenna, other: Antenna) -> Fading:
        pair = frozenset((id(one), id(other)))
        found = self._fadings.get(pair)
        if found is None:
            config = self.config
            places = sorted((self.stations.index(one), self.stations.index(other)))
            seed = self._seed ^ (places[0] * 64 + places[1] + 1) << 40
            found = self._fadings[pair] = Fading(
                seed, config.fade_sigma_db, config.fade_time_s, config.deep_fade_db, config.deep_fade_rate_hz,
                config.deep_fade_ms * 1e-3,
            )  # fmt: skip
        return found

    def level_dbm(self, frame: Frame, station: Antenna, time: float) -> float:
        """Power of the frame at the station's antenna pin, on the frame's own channel."""
        gain = self._fading(frame.sender, station).gain_db(time) if self._fades else 0.0
        return self._plain_level(frame, station) + gain

    def _plain_level(self, frame: Frame, station: Antenna) -> float:
        loss = self.path_loss_db(frame.sender, station)
        return frame.power_dbm - float(frame.sender.antenna_loss_db) - loss - station.antenna_loss_db

    # -- what is on the air -------------------------------------------------------------------------------------

    def begin(self, frame: Frame) -> None:
        """The frame is, or will be, on the air from its start to its end."""
        if frame.start < self._busy_until or self._stuck:
            for other in (*self._recent, *self._stuck):
                if other.end > frame.start and frame.end > other.start and other.sender is not frame.sender:
                    frame.rivals = [*(frame.rivals or ()), other]
                    other.rivals = [*(other.rivals or ()), frame]
        if frame.end > self._busy_until:
            self._busy_until = frame.end
        self._recent.append(frame)
        if len(self._recent) > 256:
            self._recent = [other for other in self._recent if other.end > frame.start - 5e-3]

    def carrier_on(self, frame: Frame) -> None:
        """A carrier without an end; `carrier_off` gives it one."""
        frame.end = math.inf
        for other in self._recent:
            if other.end > frame.start and other.sender is not frame.sender:
                other.rivals = [*(other.rivals or ()), frame]
        self._stuck.append(frame)

    def carrier_off(self, frame: Frame, time: float) -> None:
        """A carrier that was on until now ends."""
        frame.end = time
        self._stuck.remove(frame)
        self._recent.append(frame)

    def finish(self, frame: Frame) -> None:
        """The frame has ended now: tell everyone else."""
        for station in self.stations:
            if station is not frame.sender:
                station.frame_over(frame)

    # -- who hears it -------------------------------------------------------------------------------------------

    def hear(self, frame: Frame, station: Antenna) -> int:
        """LOST, HEARD or DAMAGED: chance decides, once per call."""
        if frame.rivals is None and not self._bursts and not self._fades:
            key = (frame.sender, station, frame.channel, frame.rate, frame.power_dbm)
            per_bit = self._steady.get(key)
            if per_bit is None:
                per_bit = self._steady[key] = self._log_right(frame, station, frame.start, ())
        else:
            per_bit = self._changing(frame, station)
        if per_bit > -1e-12:
            return HEARD
        drawn = self._chance.random()
        right = math.exp(frame.bits * per_bit)
        if drawn < right:
            return HEARD
        # the address is right, the rest is not, and the check is fooled (or there is none)
        address = math.exp(8 * (1 + len(frame.address)) * per_bit)
        return DAMAGED if drawn < right + (address - right) * 0.5 ** (8 * frame.crc_bytes) else LOST

    def _changing(self, frame: Frame, station: Antenna) -> float:
        """Mean log probability of a right bit over a frame whose surroundings change while it is sent."""
        rivals = [rival for rival in frame.rivals or () if rival.sender is not station]
        edges = {frame.start, frame.end}
        for rival in rivals:
            edges.update(edge for edge in (rival.start, rival.end) if frame.start < edge < frame.end)
        for _, bursts in self._bursts:
            edges.update(bursts.edges(frame.start, frame.end))
        if self._fades:
            deep = self._fading(frame.sender, station).deep
            edges.update(deep.edges(frame.start, frame.end) if deep is not None else ())
        times = sorted(edges)
        total = 0.0
        for start, end in itertools.pairwise(times):
            present = [rival for rival in rivals if rival.start < end and rival.end > start]
            total += (end - start) * self._log_right(frame, station, 0.5 * (start + end), present)
        return total / (frame.end - frame.start)

    def _log_right(self, frame: Frame, station: Antenna, time: float, rivals: Any) -> float:
        """log(1 − bit error rate) of the frame at this instant."""
        level = self.level_dbm(frame, station, time)
        signal = 10.0 ** (0.1 * (level - self._crystal_loss(frame.sender, station)))
        floor_dbm = SENSITIVITY_DBM[frame.rate] - station.lna_gain_db - SNR_AT_SENSITIVITY_DB
        noise = 10.0 ** (0.1 * floor_dbm)
        for interferer, bursts in self._bursts:
            if bursts.on_at(time):
                noise += self._disturbance(interferer, station, frame.channel, frame.rate)
        for rival in rivals:
            ratio = needed_ratio_db(frame.rate, abs(rival.channel - frame.channel))
            rival_level = self.level_dbm(rival, station, time)
            noise += 10.0 ** (0.1 * (rival_level + ratio - SNR_AT_SENSITIVITY_DB))
        snr = signal / noise
        excess = level + station.lna_gain_db - self.config.max_input_dbm
        if excess > 0:
            snr = min(snr, 10.0 ** (0.1 * (OVERLOAD_SNR_DB - OVERLOAD_DB_PER_DB * excess)))
        return math.log1p(-min(0.5, bit_error_rate(snr)))

    def _crystal_loss(self, sender: Antenna, station: Antenna) -> float:
        apart = abs(sender.crystal_ppm - station.crystal_ppm)
        return max(0.0, apart - CRYSTALS_APART_PPM) * CRYSTAL_DB_PER_PPM

    def _disturbance(self, interferer: Interferer, station: Antenna, channel: int, rate: int) -> float:
        """Noise in mW that an interferer adds, weighted by the receiver's selectivity."""
        share, offset = _in_band(interferer, channel, BANDWIDTH_MHZ[rate])
        ratio = needed_ratio_db(rate, offset)
        power = interferer.power_dbm - station.antenna_loss_db + ratio - SNR_AT_SENSITIVITY_DB
        return share * float(10.0 ** (0.1 * power))

    # -- received power -----------------------------------------------------------------------------------------

    def energy_dbm(self, channel: int, station: Antenna, start: float, end: float) -> float:
        """Mean received power in 1 MHz (2 MHz wide packets count whole) over the interval; −150 dBm in silence."""
        spans = self._spans(channel, station, start, end)
        total = sum((until - since) * power for since, until, power in spans)
        return 10.0 * math.log10(max(1e-15, total / max(1e-12, end - start)))

    def held_dbm(self, channel: int, station: Antenna, start: float, end: float) -> float:
        """The power that was there during the whole interval: what received power detection works on."""
        return 10.0 * math.log10(max(1e-15, min(power for _, _, power in self._spans(channel, station, start, end))))

    def _spans(self, channel: int, station: Antenna, start: float, end: float) -> list[tuple[float, float, float]]:
        frames = [
            frame for frame in (*self._recent, *self._stuck)
            if frame.sender is not station and frame.end > start and frame.start < end
            and abs(frame.channel - channel) <= (1 if frame.rate == 2 else 0)
        ]  # fmt: skip
        near = [(_in_band(one, channel, 1.0), one, bursts) for one, bursts in self._bursts]
        sources = [(share, one, bursts) for (share, offset), one, bursts in near if offset == 0]
        edges = {start, end}
        for frame in frames:
            edges.update(edge for edge in (frame.start, frame.end) if start < edge < end)
        for _, _, bursts in sources:
            edges.update(bursts.edges(start, end))
        times = sorted(edges)
        spans = []
        for since, until in itertools.pairwise(times):
            middle = 0.5 * (since + until)
            power = 0.0
            for share, one, bursts in sources:
                if bursts.on_at(middle):
                    power += share * 10.0 ** (0.1 * (one.power_dbm - station.antenna_loss_db))
            for frame in frames:
                if frame.start <= middle < frame.end:
                    power += 10.0 ** (0.1 * self.level_dbm(frame, station, middle))
            spans.append((since, until, power))
        return spans or [(start, end, 0.0)]

    def damage(self, payload: bytes) -> bytes:
        """The payload with one to three bits flipped."""
        data = bytearray(payload)
        for _ in range(self._chance.randint(1, 3) if data else 0):
            data[self._chance.randrange(len(data))] ^= 1 << self._chance.randrange(8)
        return bytes(data)


def _in_band(interferer: Interferer, channel: int, bandwidth_mhz: float) -> tuple[float, float]:
    """Share of the interferer's power that counts, and how far (MHz) its nearer edge is from the channel's edge."""
    apart = abs(2400.0 + channel - interferer.centre_mhz)
    half = 0.5 * interferer.width_mhz
    overlap = min(half, apart + 0.5 * bandwidth_mhz) - max(-half, apart - 0.5 * bandwidth_mhz)
    if overlap > 0:
        return min(1.0, overlap / max(interferer.width_mhz, 1e-9)), 0.0
    if apart <= half + 0.5 * bandwidth_mhz:  # a line inside the band
        return 1.0, 0.0
    return min(1.0, bandwidth_mhz / max(interferer.width_mhz, bandwidth_mhz)), apart - half
