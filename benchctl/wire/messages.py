"""Messages made from the catalogue: `encode` to a frame body, `decode` from one. No input or output here."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from benchctl.wire import catalogue
from benchctl.wire.catalogue import Direction, Message
from benchctl.wire.fields import from_wire, struct_code, to_wire

_HEAD = struct.Struct("<BH")


class Msg(tuple[Any, ...]):
    """One message: the catalogue's fields as attributes, `rows` of a record tail, `data` of a bytes tail.

    A tuple of type, number, the fields in order, rows, data, of a class made per kind: nothing is quicker to make and
    to read, and nobody can change one. A field that is called like one of the others below is found in `fields` only.
    """

    __slots__ = ()
    if TYPE_CHECKING:  # fields of messages, not the methods of a tuple
        count: Any
        index: Any
    kind: str
    names: tuple[str, ...]
    is_event: bool

    number: int = property(itemgetter(1))  # type: ignore[assignment]
    rows: tuple[tuple[int, ...], ...] = property(itemgetter(-2))  # type: ignore[assignment]
    data: bytes = property(itemgetter(-1))  # type: ignore[assignment]

    def __new__(
        cls, kind: str, number: int, fields: dict[str, Any], rows: tuple[tuple[int, ...], ...] = (), data: bytes = b""
    ) -> Msg:
        """The message that `decode` would give of these. Raises KeyError for a kind or field that is not there."""
        codec = _BY_NAME[kind]
        values = (fields[name] for name in codec.names)
        return tuple.__new__(codec.kind_class, (codec.message.number, number, *values, rows, data))

    @property
    def fields(self) -> dict[str, Any]:
        """The fields by name."""
        return dict(zip(self.names, self[2:-2], strict=True))

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(f"message {self.kind} has no field {name}")

    def __repr__(self) -> str:
        return f"{self.kind}({self.number}, {self.fields}, {self.rows}, {self.data!r})"


def _class_of(message: Message) -> type[Msg]:
    names = tuple(f.name for f in message.fields)
    taken = {*vars(Msg), *Msg.__annotations__}
    getters = {n: property(itemgetter(2 + i)) for i, n in enumerate(names) if n not in taken}
    facts = {"kind": message.name, "names": names, "is_event": message.direction is Direction.EVENT}
    return type(message.name, (Msg,), {"__slots__": (), **facts, **getters})


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
        self.head = struct.Struct(struct_code(message.fields))
        self.kind_class = _class_of(message)
        is_bytes = len(message.tail) == 1 and message.tail[0].name == "byte"
        self.row = struct.Struct(struct_code(message.tail)) if message.tail and not is_bytes else None
        self.unpack = self._unpacker(is_bytes)

    def _unpacker(self, is_bytes: bool) -> Callable[[bytes], Msg | Malformed]:
        """A function on the way of every frame: nothing in it that need not be, and its own variables only."""
        whole = struct.Struct(_HEAD.format + self.head.format.lstrip("<"))
        values, end = whole.unpack_from, whole.size
        new, cls, rows_of = tuple.__new__, self.kind_class, self.row.iter_unpack if self.row else None
        texts = [at for at, kind in enumerate(self.types, 2) if kind == "text16"]

        def unpack(body: bytes) -> Msg | Malformed:
            if len(body) == end or (is_bytes and len(body) > end):
                return new(cls, (*values(body), (), body[end:]))
            return Malformed(f"{cls.kind} with {len(body) - _HEAD.size} bytes of fields", body)

        def unpack_with_rows(body: bytes) -> Msg | Malformed:
            try:
                return new(cls, (*values(body), tuple(rows_of(body[end:])), b""))  # type: ignore[misc]
            except struct.error:
                return Malformed(f"{cls.kind} with {len(body) - _HEAD.size} bytes of fields", body)

        def unpack_with_texts(body: bytes) -> Msg | Malformed:
            message = unpack(body)
            if isinstance(message, Malformed):
                return message
            read = list(message)
            for at in texts:
                read[at] = from_wire("text16", read[at])
            return new(cls, read)

        if texts and rows_of:
            raise ValueError(f"message {cls.kind}: texts beside records are not unpacked")
        return unpack_with_rows if rows_of else unpack_with_texts if texts else unpack

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


def _unknown(body: bytes) -> Malformed:
    return Malformed(f"unknown type 0x{body[0]:02X}", body)


#: by type number
_UNPACK = tuple(_BY_NUMBER[n].unpack if n in _BY_NUMBER else _unknown for n in range(256))


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
    return _UNPACK[body[0]](body)


def decode_all(bodies: list[bytes]) -> list[Msg | Malformed]:
    """The same for bodies that a deframer gave, none of them shorter than type and number."""
    return [_UNPACK[body[0]](body) for body in bodies]


def is_idempotent(kind: str) -> bool:
    """Whether a request may be sent again when its answer is late."""
    return _BY_NAME[kind].message.idempotent
