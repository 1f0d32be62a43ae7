"""How the firmware sets a transceiver up from its settings: the registers and their order.

As in `firmware_probe/nrf24.cpp`; registers and bits are those of the nRF24L01+ Product Specification v1.0, table 28.
"""

from __future__ import annotations

from collections.abc import Callable

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

#: a setting's number by its name
Number = Callable[[str], int]
_RATES = (RF_DR_LOW, 0, RF_DR_HIGH)
_CRC = (0, EN_CRC, EN_CRC | CRCO)


def fixed_length(number: Number) -> bool:
    """Without a CRC there is no acknowledgement and no dynamic length."""
    return number("radio_crc") == 0


def config(number: Number, receive: bool) -> int:
    """The CONFIG register for these settings."""
    return _CRC[number("radio_crc")] | PWR_UP | (PRIM_RX if receive else 0)


def registers(number: Number, receive: bool, length: int) -> list[tuple[int, bytes]]:
    """(register, bytes) to be written in this order; length: of payloads where it is fixed."""
    plain = fixed_length(number)
    # the shortest legal delay for an empty acknowledgement is 500 µs at 250 kbps (table 18)
    delay = max(number("radio_retry_delay"), 1 if number("radio_rate") == 0 else 0)
    one = {
        Reg.EN_AA: 0 if plain else 1, Reg.EN_RXADDR: 1, Reg.SETUP_AW: 3,
        Reg.SETUP_RETR: delay << 4 | number("radio_retry_count"), Reg.RF_CH: number("radio_channel"),
        Reg.RF_SETUP: _RATES[number("radio_rate")] | number("radio_power") << 1,
        Reg.RX_PW_P0: length if plain else 0, Reg.FEATURE: EN_DYN_ACK if plain else EN_DPL | EN_ACK_PAY | EN_DYN_ACK,
        Reg.DYNPD: 0 if plain else 1, Reg.CONFIG: config(number, receive),
    }  # fmt: skip
    address = bytes((ADDRESS_LOW,)) + number("radio_address").to_bytes(4, "little")
    writes = [(int(reg), bytes((value,))) for reg, value in one.items()]
    return [*writes, (int(Reg.RX_ADDR_P0), address), (int(Reg.TX_ADDR), address)]


def same(register: int, found: bytes, expected: bytes) -> bool:
    """Bit 0 of RF_SETUP is "don't care"."""
    if register == Reg.RF_SETUP:
        return (found[0] ^ expected[0]) & 0xFE == 0
    return found == expected


def write(register: int, data: bytes) -> bytes:
    """The bytes that write a register."""
    return bytes((Command.W_REGISTER | register,)) + data


def read(register: int, count: int = 1) -> bytes:
    """The bytes that read `count` bytes of a register."""
    return bytes((Command.R_REGISTER | register,)) + bytes((Command.NOP,)) * count
