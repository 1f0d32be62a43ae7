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


@dataclass(frozen=True, slots=True)
class Msg:
    """One message: `fields` by name (also as attributes), `rows` of a record tail, `data` of a bytes tail."""

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
        self.names = tuple(f.name for f in message.fields)
        self.types = tuple(f.type for f in message.fields)
        self.texts = any(t == "text16" for t in self.types)
        self.head = struct.Struct(struct_code(message.fields))
        self.is_bytes = len(message.tail) == 1 and message.tail[0].name == "byte"
        self.row = struct.Struct(struct_code(message.tail)) if message.tail and not self.is_bytes else None

    def unpack(self, number: int, body: bytes) -> Msg | Malformed:
        start = _HEAD.size
        end = start + self.head.size
        rest = len(body) - end
        fits = rest == 0 or (rest > 0 and (self.is_bytes or (self.row is not None and rest % self.row.size == 0)))
        if not fits:
            return Malformed(f"{self.message.name} with {len(body) - start} bytes of fields", body)
        values: Iterable[Any] = self.head.unpack_from(body, start)
        if self.texts:
            values = [from_wire(t, v) for t, v in zip(self.types, values, strict=True)]
        fields = dict(zip(self.names, values, strict=True))
        if self.row is not None:
            return Msg(self.message.name, number, fields, tuple(self.row.iter_unpack(body[end:])))
        return Msg(self.message.name, number, fields, (), body[end:])

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
    kind, number = _HEAD.unpack_from(body)
    codec = _BY_NUMBER.get(kind)
    return codec.unpack(number, body) if codec else Malformed(f"unknown type 0x{kind:02X}", body)


def is_event(message: Msg) -> bool:
    return _BY_NAME[message.kind].message.direction is Direction.EVENT


def is_idempotent(kind: str) -> bool:
    """Whether a request may be sent again when its answer is late."""
    return _BY_NAME[kind].message.idempotent
