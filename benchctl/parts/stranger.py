"""Somebody else's craft on the air: it listens with settings of its own, acknowledges, and drops what it has got."""

from __future__ import annotations

import random

from benchctl.benchfile import StrangerSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.nrf24_fifo import RxFifo
from benchctl.parts.nrf24_registers import (
    CRCO,
    EN_ACK_PAY,
    EN_CRC,
    EN_DPL,
    EN_DYN_ACK,
    PRIM_RX,
    PWR_UP,
    RF_DR_HIGH,
    RF_DR_LOW,
    Command,
    Reg,
)
from benchctl.wire.catalogue import ADDRESS_LOW

_RATES = (RF_DR_LOW, 0, RF_DR_HIGH)
_CRC = (0, EN_CRC, EN_CRC | CRCO)


class _Drained(RxFifo):
    """A store that its craft empties at once."""

    def push(self, pipe: int, payload: bytes) -> bool:
        return True


def stranger(spec: StrangerSpec, agenda: Agenda, air: Air, chance: random.Random) -> Transceiver:
    """Its transceiver, listening from now on; it is set up as the probe's are."""
    radio = Transceiver(agenda, air, chance, TransceiverConfig(por_ms=1.0), "stranger", powered=True)
    radio.rx = _Drained()
    address = bytes((ADDRESS_LOW,)) + spec.address.to_bytes(4, "little")
    acknowledges = int(spec.crc > 0)  # without a CRC there is no acknowledgement
    registers: dict[int, bytes] = {
        Reg.EN_AA: bytes((acknowledges,)), Reg.EN_RXADDR: b"\1", Reg.SETUP_AW: b"\3", Reg.RF_CH: bytes((spec.channel,)),
        Reg.RF_SETUP: bytes((_RATES[spec.rate] | 6,)), Reg.FEATURE: bytes((EN_DPL | EN_ACK_PAY | EN_DYN_ACK,)),
        Reg.DYNPD: bytes((acknowledges,)), Reg.RX_ADDR_P0: address, Reg.TX_ADDR: address,
        Reg.CONFIG: bytes((_CRC[spec.crc] | PWR_UP | PRIM_RX,)),
    }  # fmt: skip
    for register, value in registers.items():
        radio.exchange(bytes((Command.W_REGISTER | register,)) + value, agenda.now)
    radio.set_ce(1.0, agenda.now)
    return radio
