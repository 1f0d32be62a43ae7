"""One packet on the air: its fields, length, time and CRC.

Source: nRF24L01+ Product Specification v1.0, section 7.3 and Table 19.
"""

from __future__ import annotations

import binascii
from typing import Any

from benchctl.parts.nrf24_registers import BIT_RATE

#: value of the length field of packets without dynamic length ("don't care")
STATIC_LENGTH = 33


class Frame:
    """A packet, or a bare carrier (no address), on `channel` from `start` to `end` (s).

    sender: the station that sends. rate: index into BIT_RATE. power_dbm: at the sender's antenna pin.
    address: lowest byte first. length: the 6-bit length field. crc_bytes: 0 to 2.
    enhanced: with the 9-bit packet control field.
    rivals: packets of others that overlap in time; None when there are none.
    """

    __slots__ = (
        "address", "bits", "channel", "crc_bytes", "end", "enhanced", "length", "no_ack", "payload",
        "pid", "power_dbm", "rate", "rivals", "sender", "start",
    )  # fmt: skip

    def __init__(
        self, sender: Any, channel: int, rate: int, power_dbm: float, address: bytes, pid: int, no_ack: int,
        length: int, payload: bytes, crc_bytes: int, enhanced: bool, start: float,
    ) -> None:  # fmt: skip
        self.sender = sender
        self.channel = channel
        self.rate = rate
        self.power_dbm = power_dbm
        self.address = address
        self.pid = pid
        self.no_ack = no_ack
        self.length = length
        self.payload = payload
        self.crc_bytes = crc_bytes
        self.enhanced = enhanced
        self.start = start
        self.bits = bits = air_bits(len(address), len(payload), crc_bytes, enhanced)
        self.end = start + bits / BIT_RATE[rate]
        self.rivals: list[Frame] | None = None

    @property
    def crc(self) -> int:
        field = self.length << 3 | self.pid << 1 | self.no_ack if self.enhanced else None
        return air_crc(self.address, field, self.payload, self.crc_bytes)


def air_bits(address: int, payload: int, crc_bytes: int, enhanced: bool = True) -> int:
    """Bits of a packet with these byte counts: preamble, address, control field, payload, CRC."""
    return 8 * (1 + address + payload + crc_bytes) + (9 if enhanced else 0)


def air_time(address: int, payload: int, crc_bytes: int, rate: int) -> float:
    """Seconds on the air; rate is an index into BIT_RATE."""
    return air_bits(address, payload, crc_bytes) / BIT_RATE[rate]


def _before_zeros(state: int, polynomial: int, width: int, zeros: int) -> int:
    """The CRC state that becomes `state` after so many zero bits, so that a bit string can be padded in front."""
    for _ in range(zeros):
        state = (state ^ polynomial) >> 1 | 1 << (width - 1) if state & 1 else state >> 1
    return state


def _table8(polynomial: int) -> bytes:
    table = bytearray()
    for value in range(256):
        for _ in range(8):
            value = (value << 1 ^ polynomial) & 0xFF if value & 0x80 else value << 1
        table.append(value)
    return bytes(table)


_POLYNOMIAL = (0, 0x07, 0x1021)
_TABLE8 = _table8(_POLYNOMIAL[1])
_PADDED_START = (0, _before_zeros(0xFF, 0x07, 8, 7), _before_zeros(0xFFFF, 0x1021, 16, 7))
_PLAIN_START = (0, 0xFF, 0xFFFF)


def air_crc(address: bytes, field: int | None, payload: bytes, crc_bytes: int) -> int:
    """CRC over address, 9-bit control field (None: no field) and payload as sent, section 7.3.5."""
    if not crc_bytes:
        return 0
    if field is None:
        data, state = address[::-1] + payload, _PLAIN_START[crc_bytes]
    else:
        value = (int.from_bytes(address, "little") << 9 | field) << 8 * len(payload)
        value |= int.from_bytes(payload, "big")
        data, state = value.to_bytes(len(address) + 2 + len(payload), "big"), _PADDED_START[crc_bytes]
    if crc_bytes == 2:
        return binascii.crc_hqx(data, state)
    for byte in data:
        state = _TABLE8[state ^ byte]
    return state
