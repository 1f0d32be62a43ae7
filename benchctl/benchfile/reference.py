"""The declared keys as a page for people, and a whole bench as a commented file."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from benchctl.benchfile.keys import Form, Key, keys_of
from benchctl.benchfile.schema import BenchSpec

_NESTED = (Form.TABLE, Form.NAMED, Form.LIST)


def reference() -> str:
    """All keys as Markdown: one table a section, with unit, default, range and meaning."""
    parts = ["# Bench files", _PREFACE]
    for title, cls, doc in _sections("", BenchSpec, "top of the file"):
        parts.append(f"## {title or 'Top of the file'}\n\n{doc}\n")
        keys = keys_of(cls).items()
        rows = [_row(name, key, default) for name, (_, key, default) in keys if key.form not in _NESTED]
        parts.append("\n".join([*_HEADING, *rows]))
    return "\n\n".join(parts) + "\n"


_HEADING = ("| key | unit | default | expected | meaning |", "| --- | --- | --- | --- | --- |")
_PREFACE = """A bench file is TOML. A board that is named (`[board.hand]`, even with nothing below) starts as a healthy
Mudlark board of its role; every key given is laid over that. `NAME` stands for a name of your own, or for one of the
names listed. Numbers may be written with or without a decimal point; `inf` is allowed where the range says so."""


def _sections(place: str, cls: type, doc: str) -> Iterator[tuple[str, type, str]]:
    yield place, cls, doc
    for name, (_, key, _default) in keys_of(cls).items():
        if key.table is not None:
            inner = f"{name}.NAME" if key.form is Form.NAMED else name
            title = f"{place.strip('[]')}.{inner}" if place else inner
            names = f" (names: {', '.join(key.names)})" if key.names else ""
            shown = f"[[{title}]]" if key.form is Form.LIST else f"[{title}]"
            yield from _sections(shown, key.table, key.doc + names)


def _row(name: str, key: Key, default: Any) -> str:
    return f"| `{name}` | {key.unit} | `{_toml(default)}` | {key.expected()} | {key.doc} |"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, float):
        short = f"{value:.15g}"
        return "inf" if math.isinf(value) else short if float(short) == value else repr(value)
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }" if value else "{}"
    return str(value)


def as_toml(spec: BenchSpec) -> str:
    """The bench as a file with every key, its unit and meaning; reading it gives an equal bench."""
    lines = ["# " + line for line in _HEADER.splitlines()]
    lines += list(_write("", spec))
    return "\n".join(lines) + "\n"


_HEADER = """A bench: boards, what is on them, the air between them and the person before them.
Every key is here with its unit. Change numbers to get another bench; a key left out has the value that it
has here. To write a faulty board, give only what differs."""


def _write(place: str, value: Any) -> Iterator[str]:
    keys = keys_of(type(value))
    for name, (field_name, key, _) in keys.items():
        held = getattr(value, field_name)
        if key.form not in (*_NESTED, Form.FREE) or (key.form is Form.LIST and not held):
            yield _commented(f"{name} = {_toml(held)}", key)
    for name, (field_name, key, _) in keys.items():
        held = getattr(value, field_name)
        here = f"{place}.{name}" if place else name
        if key.form is Form.TABLE:
            yield from _section(f"[{here}]", key.doc, here, held)
        elif key.form is Form.NAMED:
            for entry, inner in held.items():
                yield from _section(f"[{here}.{entry}]", key.doc, f"{here}.{entry}", inner)
        elif key.form is Form.LIST:
            for inner in held:
                yield from _section(f"[[{here}]]", key.doc, here, inner)
        elif key.form is Form.FREE and held:
            yield from ["", f"[{here}]  # {key.doc}", *(f"{n} = {_toml(v)}" for n, v in held.items())]


def _section(head: str, doc: str, place: str, value: Any) -> Iterator[str]:
    yield from ["", f"{head}  # {doc}"]
    yield from _write(place, value)


def _commented(text: str, key: Key) -> str:
    unit = f"{key.unit}; " if key.unit else ""
    return f"{text:<32}  # {unit}{key.doc}"
