"""Somebody else's craft on the air: it listens with settings of its own, acknowledges, and drops what it has got."""

from __future__ import annotations

import random

from benchctl.benchfile import StrangerSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.nrf24_fifo import RxFifo
from benchctl.parts.radio_setup import registers, write


class _Drained(RxFifo):
    """A store that its craft empties at once."""

    def push(self, pipe: int, payload: bytes) -> bool:
        return True


def stranger(spec: StrangerSpec, agenda: Agenda, air: Air, chance: random.Random) -> Transceiver:
    """Its transceiver, listening from now on; it is set up as the probe's are."""
    radio = Transceiver(agenda, air, chance, TransceiverConfig(por_ms=1.0), "stranger", powered=True)
    radio.rx = _Drained()
    settings = {
        "radio_channel": spec.channel, "radio_rate": spec.rate, "radio_crc": spec.crc, "radio_address": spec.address,
        "radio_power": 3, "radio_retry_delay": 0, "radio_retry_count": 0,
    }  # fmt: skip
    for register, value in registers(settings.__getitem__, True, 0):
        radio.exchange(write(register, value), agenda.now)
    radio.set_ce(1.0, agenda.now)
    return radio
