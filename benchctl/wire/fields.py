"""Field types of messages and their packing: little-endian, no padding."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

#: type name -> (struct code, C type); "text16" is NUL-padded UTF-8
SCALARS: dict[str, tuple[str, str]] = {
    "u8": ("B", "uint8_t"),
    "u16": ("H", "uint16_t"),
    "u32": ("I", "uint32_t"),
    "i16": ("h", "int16_t"),
    "text16": ("16s", "char"),
    "bytes3": ("3s", "uint8_t"),
    "bytes4": ("4s", "uint8_t"),
}

#: the same in numpy, of the types that rows have
DTYPES = {"u8": "u1", "u16": "<u2", "u32": "<u4", "i16": "<i2"}
#: and in Python
PYTHON = {"text16": "str", "bytes3": "bytes", "bytes4": "bytes", **dict.fromkeys(DTYPES, "int")}

#: array lengths in C of the types that are arrays
LENGTHS = {"text16": 16, "bytes3": 3, "bytes4": 4}
#: the longest text that a board stores
MOST_TEXT = LENGTHS["text16"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a message: unit is the unit on the wire ("tick" is 0.5 µs), doc one clause."""

    name: str
    type: str
    unit: str = ""
    doc: str = ""

    def __post_init__(self) -> None:
        if self.type not in SCALARS:
            raise ValueError(f"field {self.name}: unknown type {self.type!r}")


def struct_code(fields: tuple[Field, ...]) -> str:
    """The `struct` format of the fields in order."""
    return "<" + "".join(SCALARS[f.type][0] for f in fields)


def width(kind: str) -> int:
    """Bytes that a value of this type takes."""
    return struct.calcsize("<" + SCALARS[kind][0])


def packed(kind: str, value: object) -> bytes:
    """One value by itself. Raises ValueError when it does not fit."""
    try:
        return struct.pack("<" + SCALARS[kind][0], to_wire(kind, value))
    except struct.error as e:
        raise ValueError(f"{value!r} is no {kind}: {e}") from e


def unpacked(kind: str, raw: bytes) -> Any:
    """The value that `packed` made such bytes of; they are as many as its width."""
    return from_wire(kind, struct.unpack("<" + SCALARS[kind][0], raw)[0])


def to_wire(kind: str, value: object) -> object:
    """A field value as `struct` wants it. Raises ValueError when a text does not fit."""
    if kind == "text16":
        raw = str(value).encode()
        if len(raw) > MOST_TEXT or b"\0" in raw:
            raise ValueError(f"text {value!r} does not fit {MOST_TEXT} bytes")
        return raw
    return value


def from_wire(kind: str, value: object) -> object:
    """A field value as `struct` gave it; undecodable text bytes become U+FFFD."""
    if kind == "text16":
        assert isinstance(value, bytes)
        return value.split(b"\0", 1)[0].decode("utf-8", "replace")
    return value
