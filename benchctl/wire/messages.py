"""Messages made from the catalogue: `encode` to a frame body, `decode` from one. No input or output here."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from benchctl.wire import catalogue
from benchctl.wire.catalogue import Direction, Message
from benchctl.wire.fields import from_wire, struct_code, to_wire

_HEAD = struct.Struct("<BH")


@dataclass(slots=True)
class Msg:
    """One message: `fields` by name (also as attributes), `rows` of a record tail, `data` of a bytes tail.

    Nobody changes one. It is not frozen because making a frozen one takes longer than all of its decoding.
    """

    kind: str
    number: int
    fields: dict[str, Any]
    rows: tuple[tuple[int, ...], ...] = ()
    data: bytes = b""

    def __getattr__(self, name: str) -> Any:
        try:
            return self.fields[name]
        except KeyError:
            raise AttributeError(f"message {self.kind} has no field {name}") from None


@dataclass(frozen=True, slots=True)
class Malformed:
    """A body with a right CRC that is no message of ours: unknown type, or fields that do not fit."""

    reason: str
    body: bytes


class _Codec:
    """The packing of one message kind, worked out once."""

    def __init__(self, message: Message) -> None:
        self.message = message
        self.kind = message.name
        self.names = tuple(f.name for f in message.fields)
        self.types = tuple(f.type for f in message.fields)
        self.texts = any(t == "text16" for t in self.types)
        self.head = struct.Struct(struct_code(message.fields))
        #: type, number and fields in one
        self.whole = struct.Struct(_HEAD.format + struct_code(message.fields).lstrip("<"))
        self.end = self.whole.size
        self.is_bytes = len(message.tail) == 1 and message.tail[0].name == "byte"
        self.row = struct.Struct(struct_code(message.tail)) if message.tail and not self.is_bytes else None

    def unpack(self, body: bytes) -> Msg | Malformed:
        """On the way of every frame: nothing here that need not be."""
        end, size, row = self.end, len(body), self.row
        rows: tuple[tuple[int, ...], ...] = ()
        data = b""
        if size == end:
            pass
        elif size > end and row is not None and (size - end) % row.size == 0:
            rows = tuple(row.iter_unpack(body[end:]))
        elif size > end and self.is_bytes:
            data = body[end:]
        else:
            return Malformed(f"{self.kind} with {size - _HEAD.size} bytes of fields", body)
        values = self.whole.unpack_from(body)
        fields = dict(zip(self.names, values[2:]))  # noqa: B905 - both are as long as the catalogue says
        if self.texts:
            fields = {name: from_wire(t, v) for t, (name, v) in zip(self.types, fields.items(), strict=True)}
        return Msg(self.kind, values[1], fields, rows, data)

    def pack(self, number: int, fields: dict[str, Any], rows: Iterable[tuple[int, ...]], data: bytes) -> bytes:
        name = self.message.name
        if set(fields) != set(self.names):
            odd = sorted(set(fields) ^ set(self.names))[0]
            raise ValueError(f"message {name}: field {odd!r} is {'missing' if odd in self.names else 'unknown'}")
        try:
            values = [to_wire(t, fields[n]) for n, t in zip(self.names, self.types, strict=True)]
            body = _HEAD.pack(self.message.number, number & 0xFFFF) + self.head.pack(*values)
            if self.row is not None:
                body += b"".join(self.row.pack(*r) for r in rows)
        except struct.error as e:
            raise ValueError(f"message {name}: {e}") from e
        return body + data


_BY_NUMBER = {m.number: _Codec(m) for m in catalogue.MESSAGES}
_BY_NAME = {c.message.name: c for c in _BY_NUMBER.values()}
_UNPACK = {number: codec.unpack for number, codec in _BY_NUMBER.items()}


def encode(
    kind: str, number: int, fields: dict[str, Any], rows: Iterable[tuple[int, ...]] = (), data: bytes = b""
) -> bytes:
    """The frame body of a message. Raises ValueError naming the field that is missing, unknown or out of range."""
    codec = _BY_NAME.get(kind)
    if codec is None:
        raise ValueError(f"no message is called {kind!r}")
    return codec.pack(number, fields, rows, data)


def decode(body: bytes) -> Msg | Malformed:
    """The message in a frame body; damage is a value with its reason, never an exception."""
    if len(body) < _HEAD.size:
        return Malformed("shorter than type and number", body)
    unpack = _UNPACK.get(body[0])
    return unpack(body) if unpack is not None else Malformed(f"unknown type 0x{body[0]:02X}", body)


def is_event(message: Msg) -> bool:
    return _BY_NAME[message.kind].message.direction is Direction.EVENT


def is_idempotent(kind: str) -> bool:
    """Whether a request may be sent again when its answer is late."""
    return _BY_NAME[kind].message.idempotent
