"""Declared keys as a page for people, and declared values as a commented file."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from benchctl.pairfile.keys import Form, Key, keys_of
from benchctl.pairfile.schema import PairSpec

_NESTED = (Form.TABLE, Form.NAMED, Form.LIST)
_BY_NAME = (Form.FREE, Form.PINS)


def page(title: str, preface: str, cls: type, unset: str) -> str:
    """All keys below a declared class as Markdown: one table a section, with unit, default, range and meaning.

    unset: what is written for a key without a default.
    """
    parts = [f"# {title}", preface]
    for heading, section, doc in _sections("", cls, "top of the file"):
        parts.append(f"## {heading or 'Top of the file'}\n\n{doc}\n")
        keys = keys_of(section).items()
        rows = [_row(name, key, default, unset) for name, (_, key, default) in keys if key.form not in _NESTED]
        parts.append("\n".join([*_HEADING, *rows]))
    return "\n\n".join(parts) + "\n"


def lines(cls: type, unset: str, width: int) -> Iterator[str]:
    """The same for a terminal: a key with its default a line, below it what is expected and what it means."""
    for heading, section, doc in _sections("", cls, "top of the file"):
        yield from ("", f"{heading or 'Top of the file'}", *_indented(doc, width, 2))
        for name, (_, key, default) in keys_of(section).items():
            if key.form not in _NESTED:
                shown = unset if default is None else toml(default)
                names = f"; names: {', '.join(key.names)}" if key.form in _BY_NAME and key.names else ""
                yield f"  {name} = {shown}{f' {key.unit}' if key.unit else ''}"
                yield from _indented(f"{key.doc}{names} ({key.expected()})", width, 6)


def _indented(text: str, width: int, by: int) -> list[str]:
    return textwrap.wrap(text, max(30, width), initial_indent=" " * by, subsequent_indent=" " * by)


_HEADING = ("| key | unit | default | expected | meaning |", "| --- | --- | --- | --- | --- |")


def _sections(place: str, cls: type, doc: str) -> Iterator[tuple[str, type, str]]:
    yield place, cls, doc
    for name, (_, key, _default) in keys_of(cls).items():
        if key.table is not None:
            inner = f"{name}.NAME" if key.form is Form.NAMED else name
            title = f"{place.strip('[]')}.{inner}" if place else inner
            names = f" (names: {', '.join(key.names)})" if key.names else ""
            shown = f"[[{title}]]" if key.form is Form.LIST else f"[{title}]"
            yield from _sections(shown, key.table, key.doc + names)


def _row(name: str, key: Key, default: Any, unset: str) -> str:
    names = f"; names: {', '.join(key.names)}" if key.form in _BY_NAME and key.names else ""
    shown = unset if default is None else f"`{toml(default)}`"
    return f"| `{name}` | {key.unit} | {shown} | {key.expected()} | {key.doc}{names} |"


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, float):
        short = f"{value:.15g}"
        return "inf" if math.isinf(value) else short if float(short) == value else repr(value)
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }" if value else "{}"
    return str(value)


def as_toml(pair: PairSpec) -> str:
    """The pair as a file: what is stated, with unit and meaning; reading it gives an equal pair."""
    return "\n".join(["# What is soldered. A key left out is unknown.", *_write("", pair)]) + "\n"


def _write(place: str, value: Any) -> Iterator[str]:
    keys = keys_of(type(value))
    for name, (field_name, key, default) in keys.items():
        held = getattr(value, field_name)
        if key.form not in (*_NESTED, *_BY_NAME) and held != default:
            unit = f"{key.unit}; " if key.unit else ""
            yield f"{f'{name} = {toml(held)}':<32}  # {unit}{key.doc}"
    for name, (field_name, key, _) in keys.items():
        held = getattr(value, field_name)
        here = f"{place}.{name}" if place else name
        if key.form is Form.TABLE and held != type(held)():
            yield from ["", f"[{here}]  # {key.doc}", *_write(here, held)]
        elif key.form is Form.NAMED:
            for entry, inner in held.items():
                yield from ["", f"[{here}.{entry}]", *_write(f"{here}.{entry}", inner)]
        elif key.form is Form.LIST:
            for inner in held:
                yield from ["", f"[[{here}]]", *_write(here, inner)]
        elif key.form in _BY_NAME and held:
            yield from ["", f"[{here}]", *(f"{n} = {toml(v)}" for n, v in held.items())]
