"""Field types of messages and their packing: little-endian, no padding."""

from __future__ import annotations

from dataclasses import dataclass

#: type name -> (struct code, C type); "text16" is NUL-padded UTF-8
SCALARS: dict[str, tuple[str, str]] = {
    "u8": ("B", "uint8_t"),
    "u16": ("H", "uint16_t"),
    "u32": ("I", "uint32_t"),
    "i16": ("h", "int16_t"),
    "text16": ("16s", "char"),
    "bytes3": ("3s", "uint8_t"),
}

#: array lengths in C of the types that are arrays
LENGTHS = {"text16": 16, "bytes3": 3}


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


def to_wire(kind: str, value: object) -> object:
    """A field value as `struct` wants it. Raises ValueError when a text does not fit."""
    if kind == "text16":
        raw = str(value).encode()
        if len(raw) > 16 or b"\0" in raw:
            raise ValueError(f"text {value!r} does not fit 16 bytes")
        return raw
    return value


def from_wire(kind: str, value: object) -> object:
    """A field value as `struct` gave it; undecodable text bytes become U+FFFD."""
    if kind == "text16":
        assert isinstance(value, bytes)
        return value.split(b"\0", 1)[0].decode("utf-8", "replace")
    return value
