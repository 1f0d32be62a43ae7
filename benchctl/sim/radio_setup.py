"""How the firmware sets the transceiver up from its settings: the registers and their order.

Register addresses and bits: nRF24L01+ Product Specification v1.0, table 28.
"""

from __future__ import annotations

from benchctl.parts.nrf24_registers import (
    ACTIVATE_KEY,
    CRCO,
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
from benchctl.sim.settings import Settings

#: lowest address byte; the setting holds the other four
ADDRESS_BYTE = 0xC7
_RATE_BITS = (RF_DR_LOW, 0, RF_DR_HIGH)


def registers(settings: Settings, receive: bool) -> list[tuple[int, bytes]]:
    """(register, bytes) to be written in this order, CONFIG last."""
    number = settings.number
    address = bytes((ADDRESS_BYTE,)) + number("radio_address").to_bytes(4, "little")
    crc = (0, EN_CRC, EN_CRC | CRCO)[number("radio_crc")]
    config = crc | PWR_UP | (PRIM_RX if receive else 0)
    one = {
        Reg.EN_AA: 0x01, Reg.EN_RXADDR: 0x01, Reg.SETUP_AW: 0x03,
        Reg.SETUP_RETR: number("radio_retry_delay") << 4 | number("radio_retry_count"),
        Reg.RF_CH: number("radio_channel"),
        Reg.RF_SETUP: _RATE_BITS[number("radio_rate")] | number("radio_power") << 1,
        Reg.FEATURE: EN_DPL | EN_DYN_ACK, Reg.DYNPD: 0x01,
    }  # fmt: skip
    writes = [(int(reg), bytes((value,))) for reg, value in one.items()]
    writes += [(int(Reg.RX_ADDR_P0), address), (int(Reg.TX_ADDR), address)]
    return [*writes, (int(Reg.CONFIG), bytes((config,)))]


def write(register: int, data: bytes) -> bytes:
    return bytes((Command.W_REGISTER | register,)) + data


def read(register: int, count: int = 1) -> bytes:
    return bytes((Command.R_REGISTER | register,)) + bytes((Command.NOP,)) * count


#: bits of CONFIG that read otherwise than written: EN_CRC is forced by EN_AA
CONFIG_MASK = 0xFF & ~EN_CRC
UNLOCK = bytes((Command.ACTIVATE, ACTIVATE_KEY))
