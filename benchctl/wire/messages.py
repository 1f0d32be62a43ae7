"""Frame bodies and messages: `encode` makes a body, `decode` reads one. No input or output here."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from benchctl.wire import msg as msg  # makes the classes
from benchctl.wire.base import CLASSES, HEAD, Msg, RowEvent
from benchctl.wire.catalogue import BY_NAME
from benchctl.wire.fields import from_wire


@dataclass(frozen=True, slots=True)
class Malformed:
    """A body with a right CRC that is no message of ours: unknown type, or fields that do not fit."""

    reason: str
    body: bytes


def class_of(name: str) -> type[Msg]:
    """The class of a message by its name in the catalogue. Raises KeyError."""
    return CLASSES[BY_NAME[name].number]


def encode(message: Msg, sequence: int | None = None) -> bytes:
    """The frame body of a message. sequence: in place of its own. Raises ValueError for a field out of range."""
    return message.encode(sequence)


def _unpacker(cls: type[Msg]) -> Callable[[bytes], Msg | Malformed]:
    """A function on the way of every frame: nothing in it that need not be, and its own variables only."""
    whole = struct.Struct(HEAD.format + cls.PACKING.format.lstrip("<"))
    values, end, new = whole.unpack_from, whole.size, cast("Callable[..., Msg]", tuple.__new__)
    #: bytes that one more of the tail takes; without a tail no body is so long
    step = cls.ROW_PACKING.size if issubclass(cls, RowEvent) else 1 if cls.TAIL else 1 << 16
    texts = [at for at, kind in enumerate(cls.TYPES, 2) if kind == "text16"]

    def unpack(body: bytes) -> Msg | Malformed:
        length = len(body)
        if length == end:
            return new(cls, (*values(body), b""))
        if length < end or (length - end) % step:
            return Malformed(f"{cls.NAME} with {length - HEAD.size} bytes of fields", body)
        return new(cls, (*values(body), body[end:]))

    def unpack_with_texts(body: bytes) -> Msg | Malformed:
        message = unpack(body)
        if isinstance(message, Malformed):
            return message
        read = list(message)
        for at in texts:
            read[at] = from_wire("text16", read[at])
        return new(cls, read)

    return unpack_with_texts if texts else unpack


def _unknown(body: bytes) -> Malformed:
    return Malformed(f"unknown type 0x{body[0]:02X}", body)


#: by type number
_UNPACK = tuple(_unpacker(CLASSES[n]) if n in CLASSES else _unknown for n in range(256))


def decode(body: bytes) -> Msg | Malformed:
    """The message in a frame body; damage is a value with its reason, never an exception."""
    if len(body) < HEAD.size:
        return Malformed("shorter than type and number", body)
    return _UNPACK[body[0]](body)


def decode_all(bodies: list[bytes]) -> list[Msg | Malformed]:
    """The same for bodies that a deframer gave, none of them shorter than type and number."""
    return [_UNPACK[body[0]](body) for body in bodies]
