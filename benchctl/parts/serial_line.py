"""The cable between a board and the host: bytes lost, changed, made up, and held back by the USB-serial chip."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.benchfile import SerialSpec
from benchctl.parts.agenda import Agenda, Entry

#: the usual USB-serial chip hands over at once when so many bytes wait: a 64-byte packet less two of status
PACKET_BYTES = 62


class ByteFaults:
    """Drops and flips bytes by chance, each on its own."""

    def __init__(self, spec: SerialSpec, chance: random.Random) -> None:
        self._drop = spec.drop_per_million * 1e-6
        self._flip = spec.flip_per_million * 1e-6
        self._chance = chance
        self.dropped = 0
        self.flipped = 0

    def damage(self, data: bytes) -> bytes:
        """What arrives of `data`."""
        if not (self._drop or self._flip):
            return data
        out = bytearray()
        for byte in data:
            if self._chance.random() < self._drop:
                self.dropped += 1
                continue
            if self._chance.random() < self._flip:
                self.flipped += 1
                byte ^= 1 << self._chance.randrange(8)
            out.append(byte)
        return bytes(out)


class SerialLine:
    """Both directions of one cable. `to_host` and `to_board` are told the bytes that arrive, and when."""

    def __init__(
        self,
        spec: SerialSpec,
        agenda: Agenda,
        chance: random.Random,
        to_host: Callable[[bytes, float], object],
        to_board: Callable[[bytes, float], object],
    ) -> None:
        self.up = ByteFaults(spec, chance)
        self.down = ByteFaults(spec, chance)
        self._to_host = to_host
        self._to_board = to_board
        self._latency = spec.latency_ms * 1e-3
        self._noise = spec.noise_bytes_per_s
        self._agenda = agenda
        self._chance = chance
        self._waiting = bytearray()
        self._timer: Entry | None = None
        if self._noise:
            self._make_noise()

    def from_board(self, data: bytes, time: float) -> None:
        """The board's last bit of `data` left at `time`; they reach the host with the chip's next hand-over."""
        self._waiting += self.up.damage(data)
        while len(self._waiting) >= PACKET_BYTES:
            packet, self._waiting = bytes(self._waiting[:PACKET_BYTES]), self._waiting[PACKET_BYTES:]
            self._to_host(packet, time)
        if self._waiting and self._timer is None:
            self._timer = self._agenda.at(time + self._latency, self._hand_over)

    def _hand_over(self) -> None:
        self._timer = None
        data, self._waiting = bytes(self._waiting), bytearray()
        if data:
            self._to_host(data, self._agenda.now)

    def from_host(self, data: bytes, time: float) -> None:
        arrives = self.down.damage(data)
        if arrives:
            self._to_board(arrives, time)

    def _make_noise(self) -> None:
        self._agenda.after(self._chance.expovariate(self._noise), self._noise_byte)

    def _noise_byte(self) -> None:
        self.from_board(bytes([self._chance.randrange(256)]), self._agenda.now)
        self._make_noise()
