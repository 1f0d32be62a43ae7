"""The firmware's header, generated from the catalogue; `python -m benchctl.wire.cheader` prints it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from enum import IntEnum

from benchctl.wire import catalogue as c
from benchctl.wire.fields import LENGTHS, SCALARS, Field
from benchctl.wire.framing import MAX_BODY, MAX_FRAME

_ENUMS: tuple[type[IntEnum], ...] = (
    c.Error,
    c.ResetCause,
    c.CauseFrom,
    c.Function,
    c.PulseKind,
    c.LinkMode,
    c.Load,
    c.AdcSource,
    c.TwiLines,
    c.Point,
    c.GuardState,
    c.GuardReason,
    c.OutputAct,
    c.Piece,
)


def _upper(name: str) -> str:
    return "".join(("_" + ch if ch.isupper() and i else ch) for i, ch in enumerate(name)).upper()


def _enum(enum: type[IntEnum]) -> Iterator[str]:
    yield f"enum {enum.__name__} {{"
    yield from (f"  {_upper(enum.__name__)}_{m.name} = {m.value}," for m in enum)
    yield "};"
    yield f"#define {_upper(enum.__name__)}_COUNT {max(enum) + 1}"
    yield ""


def _struct(name: str, fields: tuple[Field, ...]) -> Iterator[str]:
    yield f"struct __attribute__((packed)) {name} {{"
    for f in fields:
        size = f"[{LENGTHS[f.type]}]" if f.type in LENGTHS else ""
        unit = f"  // {f.unit}" if f.unit else ""
        yield f"  {SCALARS[f.type][1]} {f.name}{size};{unit}"
    yield "};"


def _messages() -> Iterator[str]:
    for m in c.MESSAGES:
        yield f"#define MSG_{m.name.upper()} 0x{m.number:02X}"
        if m.fields:
            yield from _struct(f"msg_{m.name}", m.fields)
        if m.tail and m.tail[0].name != "byte":
            yield from _struct(f"row_{m.name}", m.tail)
    yield ""


def _settings() -> Iterator[str]:
    yield "// settings: X(name, key, C type, array length or 1, default, min, max)"
    yield "#define SETTINGS_TABLE(X) \\"
    for s in (s for s in c.SETTINGS if s.key < c.REST_KEYS):  # the others are two arrays
        default = s.default if isinstance(s.default, int) else '""'
        form = f"{SCALARS[s.type][1]}, {LENGTHS.get(s.type, 1)}"
        yield f"  X({s.name}, {s.key}, {form}, {default}, {s.min}, {s.max}UL) \\"
    yield ""
    yield f"#define SETTING_REST_KEYS {c.REST_KEYS}"
    yield f"#define SETTING_PIN_KEYS {c.PIN_KEYS}"
    yield f"#define SETTING_PULSE_KIND_KEYS {c.PULSE_KIND_KEYS}"
    yield f"#define CAPTURE_PIN 0x{c.CAPTURE_PIN:02X}"
    yield f"#define ADDRESS_LOW 0x{c.ADDRESS_LOW:02X}"
    yield f"#define MISO_PIN 0x{c.MISO_PIN:02X}"
    yield ""


def header() -> str:
    """The whole header as text."""
    lines = [
        "// Generated from benchctl/wire/catalogue.py by `make catalogue`; do not edit.",
        "#pragma once",
        "#include <stdint.h>",
        "",
        f"#define PROTOCOL_VERSION {c.PROTOCOL}",
        f"#define ANSWER_BIT 0x{c.ANSWER_BIT:02X}",
        f"#define NO_PIN 0x{c.NO_PIN:02X}",
        f"#define MAX_BODY {MAX_BODY}",
        f"#define MAX_FRAME {MAX_FRAME}",
        "",
    ]
    for enum in _ENUMS:
        lines += _enum(enum)
    lines += _settings()
    lines += _messages()
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    sys.stdout.write(header())
