"""Frames on the wire: body and CRC (high byte first), COBS-encoded, ended by one 0x00 byte.

No input or output here: bytes in, frame bodies out. Any bytes at all give either bodies whose CRC is right or
counted damage, never an exception, and the next frame after damage is always found: 0x00 occurs on the wire
only between frames (Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM ToN 7(2), 1999).
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass
from itertools import repeat

from cobs import cobs

from benchctl.wire.crc import START, crc16

DELIMITER = b"\0"
#: the largest body, type and number included; the chip's buffers are made for it
MAX_BODY = 100
#: the largest frame without its delimiter: body, CRC, and COBS overhead of one byte (below 254)
MAX_FRAME = MAX_BODY + 3
#: the smallest body: type and number
MIN_BODY = 3
#: the same between its delimiters, with CRC and the byte that the coding adds
_LEAST_PART = MIN_BODY + 3


def frame(body: bytes) -> bytes:
    """The bytes on the wire for a body of 3 to MAX_BODY bytes, delimiters before and after.

    The leading delimiter ends whatever noise stands in the receiver's buffer; an empty frame counts as nothing.
    Raises ValueError when the body is too long or too short.
    """
    if not MIN_BODY <= len(body) <= MAX_BODY:
        raise ValueError(f"a frame body has {MIN_BODY} to {MAX_BODY} bytes, not {len(body)}")
    coded: bytes = cobs.encode(body + crc16(body).to_bytes(2, "big"))
    return DELIMITER + coded + DELIMITER


@dataclass(slots=True)
class FrameCounts:
    """What a deframer has seen: good frames, damaged ones by reason, bytes thrown away with them."""

    good: int = 0
    bad_coding: int = 0
    bad_crc: int = 0
    bad_length: int = 0
    bytes_dropped: int = 0

    @property
    def damaged(self) -> int:
        return self.bad_coding + self.bad_crc + self.bad_length


class Deframer:
    """Cuts a byte stream, fed in any chunks, into frame bodies; damage is counted and skipped.

    Memory is bounded: of a run of bytes without delimiter no more than MAX_FRAME + 1 are kept.
    """

    def __init__(self) -> None:
        self.counts = FrameCounts()
        self._rest = b""
        self._too_long = 0  # bytes already dropped of a frame that is longer than any can be

    def feed(self, data: bytes) -> list[bytes]:
        """The bodies completed by `data`, in order."""
        parts = (self._rest + data).split(DELIMITER)
        self._rest = parts.pop()
        out = None if self._too_long else _undamaged(parts)
        if out is None:
            out = self._sorted_out(parts)
        self.counts.good += len(out)
        if len(self._rest) > MAX_FRAME:
            self._too_long += len(self._rest)
            self._rest = b""
        return out

    def _sorted_out(self, parts: list[bytes]) -> list[bytes]:
        """The bodies among parts of which some are damaged; those are counted."""
        out: list[bytes] = []
        counts = self.counts
        for part in parts:
            if self._too_long or not _LEAST_PART <= len(part) <= MAX_FRAME:
                if part or self._too_long:
                    self._refuse_length(len(part))
                continue
            try:
                body = cobs.decode(part)
            except cobs.DecodeError:
                counts.bad_coding += 1
                counts.bytes_dropped += len(part)
                continue
            if crc_hqx(body, START):
                counts.bad_crc += 1
                counts.bytes_dropped += len(part)
                continue
            out.append(body[:-2])
        return out

    def _refuse_length(self, length: int) -> None:
        self.counts.bad_length += 1
        self.counts.bytes_dropped += length + self._too_long
        self._too_long = 0


def _undamaged(parts: list[bytes]) -> list[bytes] | None:
    """The bodies of parts that are all whole, or None: damage is rare, and what never leaves C is quick."""
    parts = list(filter(None, parts))
    try:
        bodies = list(map(cobs.decode, parts))
    except cobs.DecodeError:
        return None
    # a CRC appended high byte first leaves the remainder 0
    if any(map(crc_hqx, bodies, repeat(START))):
        return None
    lengths = list(map(len, parts))
    if lengths and (min(lengths) < _LEAST_PART or max(lengths) > MAX_FRAME):
        return None
    return [body[:-2] for body in bodies]
