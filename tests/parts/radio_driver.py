"""A minimal driver for the transceiver, written from its data sheet alone: raw command bytes, no model internals.

Source: nRF24L01+ Product Specification v1.0, Tables 20 and 28 and Appendix A.
"""

from __future__ import annotations

import random

from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air, AirConfig
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig

ADDRESS = b"\x11\x22\x33\x44\x55"  # lowest byte first
RATE_BITS = {0: 0x20, 1: 0x00, 2: 0x08}


class Driver:
    """Registers and packets of one chip; waits by letting the modelled world run on."""

    def __init__(self, chip: Transceiver) -> None:
        self.chip, self.agenda = chip, chip.agenda

    def spi(self, *sent: int) -> bytes:
        return self.chip.exchange(bytes(sent), self.agenda.now)

    def read(self, register: int, count: int = 1) -> bytes:
        return self.spi(register, *[0] * count)[1:]

    def write(self, register: int, *data: int) -> None:
        self.spi(0x20 | register, *data)

    def status(self) -> int:
        return self.spi(0xFF)[0]

    def ce(self, level: int) -> None:
        self.chip.set_ce(level, self.agenda.now)

    def wait(self, seconds: float) -> None:
        self.agenda.run_to(self.agenda.now + seconds)

    def set_up(
        self, receives: bool, rate: int = 1, channel: int = 76, delay: int = 1, count: int = 15, width: int = 8,
        dynamic: bool = False, auto_ack: int = 1, crc: int = 2,
    ) -> None:  # fmt: skip
        self.ce(0)
        self.write(0x00, {0: 0x00, 1: 0x08, 2: 0x0C}[crc])
        self.write(0x01, auto_ack)
        self.write(0x02, 0x01)
        self.write(0x04, delay << 4 | count)
        self.write(0x05, channel)
        self.write(0x06, RATE_BITS[rate] | 0x06)
        self.write(0x0A, *ADDRESS)
        self.write(0x10, *ADDRESS)
        self.write(0x11, width)
        self.write(0x1D, 0x07 if dynamic else 0x00)
        self.write(0x1C, 0x3F if dynamic else 0x00)
        self.spi(0xE1)
        self.spi(0xE2)
        self.write(0x07, 0x70)
        self.write(0x00, self.read(0x00)[0] | 0x02 | receives)
        self.wait(1.5e-3)
        if receives:
            self.ce(1)
            self.wait(130e-6)

    def send(self, payload: bytes, command: int = 0xA0, wait: float = 0.1) -> int:
        """One payload by a CE pulse; the STATUS flags at the interrupt (0: none came). Clears them."""
        self.spi(command, *payload)
        self.ce(1)
        self.wait(10e-6)
        self.ce(0)
        until = self.agenda.now + wait
        while self.chip.irq.level and self.agenda.run_next(until):
            pass
        flags = self.status() & 0x70
        self.write(0x07, flags)
        if flags & 0x10:
            self.spi(0xE1)
        return flags

    def receive(self) -> list[tuple[int, bytes]]:
        """All payloads that wait, with their pipes."""
        found = []
        while not self.read(0x17)[0] & 0x01:
            pipe = self.status() >> 1 & 7
            width = self.read(0x60)[0]
            found.append((pipe, self.spi(0x61, *[0] * width)[1:]))
            self.write(0x07, 0x40)
        return found


def world(
    loss_db: float = 50.0, seed: int = 1, count: int = 2, air: AirConfig | None = None, **config: object
) -> list[Driver]:
    """Powered transceivers on one agenda and one air."""
    agenda = Agenda()
    chance = random.Random(seed)
    room = Air(chance, air or AirConfig(path_loss_db=loss_db))
    settings = TransceiverConfig(**config)  # type: ignore[arg-type]
    return [Driver(Transceiver(agenda, room, chance, settings, f"board {n}")) for n in range(count)]


def linked(
    loss_db: float = 50.0, seed: int = 1, air: AirConfig | None = None, **setup: object
) -> tuple[Driver, Driver]:
    """A sender and a listener with the same settings."""
    sender, listener = world(loss_db, seed, air=air)
    sender.set_up(False, **setup)  # type: ignore[arg-type]
    listener.set_up(True, **setup)  # type: ignore[arg-type]
    return sender, listener
