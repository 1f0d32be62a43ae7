"""CRC-16/IBM-3740 over frames: polynomial 0x1021, start 0xFFFF, not reflected, no final XOR.

Check value of "123456789": 0x29B1 (catalogue of parametrised CRC algorithms; from memory, and computed).
"""

from __future__ import annotations

import binascii

#: of the empty message
START = 0xFFFF


def crc16(data: bytes, start: int = START) -> int:
    """The CRC of `data`; pass the result of an earlier part as `start` to go on with it."""
    return binascii.crc_hqx(data, start)
