"""A board's clock: true time to ticks and back, exactly invertible, with offset, drift and a slow wander."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from benchctl.units import TICK_US


@dataclass(frozen=True)
class OscillatorConfig:
    """What the clock source of one board is like.

    nominal_hz: ticks per second on paper.
    ppm: error at time 0. ppm_per_c: temperature coefficient, against 25 °C at the steady `temperature_c`.
    drift_ppm_per_s: steady drift (warming up). wander_ppm: height of the sinusoidal wander, period wander_s.
    jitter_ns: rms of white noise on one edge, for `jitter()`.
    """

    nominal_hz: float = 1e6 / TICK_US
    ppm: float = 0.0
    drift_ppm_per_s: float = 0.0
    wander_ppm: float = 0.0
    wander_s: float = 60.0
    temperature_c: float = 25.0
    ppm_per_c: float = 0.0
    jitter_ns: float = 0.0


class Oscillator:
    """`ticks(time)` and its inverse `time_of(ticks)`; ticks are a float, 0 at time 0.

    The rate error in ppm at time t is  ppm + drift·t + wander·cos(2π·t/wander_s + phase).
    """

    def __init__(self, config: OscillatorConfig, chance: random.Random | None = None) -> None:
        self.nominal_hz = config.nominal_hz
        self._steady = 1.0 + 1e-6 * (config.ppm + config.ppm_per_c * (config.temperature_c - 25.0))
        self._half_drift = 0.5e-6 * config.drift_ppm_per_s
        self._phase = chance.uniform(0.0, 2.0 * math.pi) if chance else 0.0
        self._omega = 2.0 * math.pi / config.wander_s
        self._swing = 1e-6 * config.wander_ppm / self._omega
        self._jitter_s = 1e-9 * config.jitter_ns
        self._chance = chance
        self._plain = not self._half_drift and not self._swing
        self._rate = self.nominal_hz * self._steady

    def ticks(self, time: float) -> float:
        """Ticks counted from time 0 to `time` (s)."""
        if self._plain:
            return time * self._rate
        wander = self._swing * (math.sin(self._omega * time + self._phase) - math.sin(self._phase))
        return self.nominal_hz * (time * self._steady + self._half_drift * time * time + wander)

    def rate_ppm(self, time: float) -> float:
        """The true rate error at `time`, in ppm: what a measurement should find."""
        wander = self._swing * self._omega * math.cos(self._omega * time + self._phase)
        return 1e6 * (self._steady - 1.0 + 2.0 * self._half_drift * time + wander)

    def time_of(self, ticks: float) -> float:
        """The time (s) at which `ticks` have been counted."""
        time = ticks / self._rate
        if self._plain:
            return time
        for _ in range(12):  # Newton; the rate is within a few hundred ppm of constant
            step = (ticks - self.ticks(time)) / (self.nominal_hz * (1.0 + 1e-6 * self.rate_ppm(time)))
            time += step
            if abs(step) <= 1e-15 * max(1.0, abs(time)):
                break
        return time

    def jitter(self) -> float:
        """A draw of the noise on one edge, in seconds."""
        return self._chance.gauss(0.0, self._jitter_s) if self._chance and self._jitter_s else 0.0
