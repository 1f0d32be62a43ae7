"""What all messages of the wire have in common. The classes themselves are in `msg`, generated from the catalogue.

A message is a tuple of type, sequence number, the fields in order, and the bytes of its tail: nothing is quicker to
make of a frame, and nobody can change one. The type checker sees a frozen class with keyword arguments instead.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from itertools import repeat
from operator import itemgetter
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeVar, dataclass_transform

import numpy as np
from numpy.typing import NDArray

from benchctl.wire.catalogue import BY_NUMBER
from benchctl.wire.fields import DTYPES, struct_code, to_wire

#: whole numbers, one a row
Column = NDArray[np.int64]
HEAD = struct.Struct("<BH")
#: every message class by its type number
CLASSES: dict[int, type[Msg]] = {}

if TYPE_CHECKING:

    class _Base:
        """A tuple whose places nobody need know."""

        def __getitem__(self, at: int) -> Any: ...
        def __iter__(self) -> Iterator[Any]: ...
else:
    _Base = tuple


@dataclass_transform(frozen_default=True, kw_only_default=True)
class Msg(_Base):
    """One message: fields, and `data` of a tail of bytes or `rows` of a tail of rows, are attributes.

    sequence: the number that joins a request and its answer, or that counts events. In capitals: what the catalogue
    says of the class. Raises TypeError when made with a field that the catalogue does not have, or without one it has.
    """

    __slots__ = ()
    TYPE: ClassVar[int] = 0
    NAME: ClassVar[str] = ""
    FIELDS: ClassVar[tuple[str, ...]] = ()
    TYPES: ClassVar[tuple[str, ...]] = ()
    TAIL: ClassVar[str] = ""
    PACKING: ClassVar[struct.Struct]

    sequence: int = 0

    def __init_subclass__(cls, code: int = 0) -> None:
        if not code:
            return
        message = BY_NUMBER[code]
        CLASSES[code] = cls
        cls.TYPE, cls.NAME = code, message.name
        cls.FIELDS = tuple(f.name for f in message.fields)
        cls.TYPES = tuple(f.type for f in message.fields)
        cls.TAIL = "data" if message.has_bytes else "rows" if message.tail else ""
        cls.PACKING = struct.Struct(struct_code(message.fields))
        places = {"sequence": 1, **{name: at for at, name in enumerate(cls.FIELDS, 2)}}
        if message.has_bytes:
            places["data"] = -1
        for name, at in places.items():
            setattr(cls, name, property(itemgetter(at)))

    if not TYPE_CHECKING:

        def __new__(cls, *, sequence: int = 0, **fields: Any) -> Msg:
            tail = fields.pop(cls.TAIL, b"") if cls.TAIL else b""
            if fields.keys() != set(cls.FIELDS):
                odd = sorted(fields.keys() ^ set(cls.FIELDS))[0]
                raise TypeError(f"message {cls.NAME}: field {odd!r} is {'missing' if odd in cls.FIELDS else 'unknown'}")
            raw = cls._pack_rows(tail) if cls.TAIL == "rows" else bytes(tail)
            return tuple.__new__(cls, (cls.TYPE, sequence, *[fields[name] for name in cls.FIELDS], raw))

    @property
    def fields(self) -> dict[str, Any]:
        """The fields by name, without the tail."""
        return dict(zip(self.FIELDS, tuple(self)[2:-1], strict=True))

    def encode(self, sequence: int | None = None) -> bytes:
        """The frame body. sequence: in place of the message's own. Raises ValueError for a field out of range."""
        code, own, *values, tail = self
        try:
            packed = self.PACKING.pack(*map(to_wire, self.TYPES, values))
        except struct.error as e:
            raise ValueError(f"message {self.NAME}: {e}") from e
        body: bytes = HEAD.pack(code, (own if sequence is None else sequence) & 0xFFFF) + packed + tail
        return body

    def __repr__(self) -> str:
        return f"{self.NAME}({self.sequence}, {self.fields}, {self[-1]!r})"


class Answer(Msg):
    """What a board says to a request."""

    __slots__ = ()


A = TypeVar("A", bound=Answer, covariant=True)
R = TypeVar("R", bound=tuple[Any, ...], covariant=True)


class Request(Msg, Generic[A]):
    """What a board is asked; A is the class of its answer. IDEMPOTENT: it may be sent again when that is late."""

    __slots__ = ()
    ANSWER: ClassVar[type[Answer]]
    IDEMPOTENT: ClassVar[bool] = True

    def __init_subclass__(cls, code: int = 0, answer: type[Answer] = Answer) -> None:
        super().__init_subclass__(code)
        cls.ANSWER = answer
        cls.IDEMPOTENT = BY_NUMBER[code].idempotent


class Event(Msg):
    """What a board says unasked."""

    __slots__ = ()


class RowEvent(Event, Generic[R]):
    """An event with any number of rows, all of one kind."""

    __slots__ = ()
    ROW: ClassVar[type[tuple[Any, ...]]]
    ROW_PACKING: ClassVar[struct.Struct]
    DTYPE: ClassVar[np.dtype[np.void]]

    def __init_subclass__(cls, code: int = 0, row: type[tuple[Any, ...]] = tuple) -> None:
        super().__init_subclass__(code)
        tail = BY_NUMBER[code].tail
        cls.ROW, cls.ROW_PACKING = row, struct.Struct(struct_code(tail))
        cls.DTYPE = np.dtype([(f.name, DTYPES[f.type]) for f in tail])

    if TYPE_CHECKING:
        rows: tuple[R, ...] = ()
    else:

        @property
        def rows(self) -> tuple[R, ...]:
            return tuple(map(tuple.__new__, repeat(self.ROW), self.ROW_PACKING.iter_unpack(self[-1])))

    @property
    def row_count(self) -> int:
        """How many rows it has, without reading them."""
        return len(self[-1]) // self.ROW_PACKING.size

    @classmethod
    def _pack_rows(cls, rows: Iterable[tuple[int, ...]]) -> bytes:
        try:
            return b"".join(cls.ROW_PACKING.pack(*row) for row in rows)
        except struct.error as e:
            raise ValueError(f"a row of message {cls.NAME}: {e}") from e

    @classmethod
    def _columns(cls, events: Iterable[Event]) -> Iterator[Column]:
        """The columns of all rows of these events, field by field."""
        table = np.frombuffer(b"".join(e[-1] for e in events), cls.DTYPE)
        return (table[name].astype(np.int64) for name in cls.DTYPE.names or ())
