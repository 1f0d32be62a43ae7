"""How a key of a pair or bench file is declared: once, beside its field, for reading, complaints and the manual."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any


class Form(Enum):
    """What a key holds."""

    NUMBER = "number"
    WHOLE = "whole number"
    FLAG = "flag"
    TEXT = "text"
    WORDS = "list of texts"
    RANGES = "list of pairs"
    FREE = "numbers and texts by name"
    PINS = "pins by function"
    TABLE = "table"
    NAMED = "tables by name"
    LIST = "list of tables"


@dataclass(frozen=True, slots=True)
class Key:
    """One key: form, unit as people read it, bounds of a number or of a text's length, allowed values, one-line doc.

    table: the dataclass of a table form. names: allowed names of a NAMED, FREE or PINS form, empty for any.
    toml: the key as written in the file where it is no Python identifier, else "".
    real: in a bench file, the key also makes sense for real boards.
    """

    form: Form
    doc: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str | float, ...] = ()
    table: type | None = None
    names: tuple[str, ...] = ()
    toml: str = ""
    real: bool = False

    def expected(self) -> str:
        """What a value must be, as the middle of a sentence: "a number of µF from 0 to 100000"."""
        if self.choices:
            return "one of " + ", ".join(_shown(c) for c in self.choices)
        if self.form is Form.NUMBER or self.form is Form.WHOLE:
            of = f" of {self.unit}" if self.unit else ""
            return f"a {self.form.value}{of} from {_shown(self.low)} to {_shown(self.high)}"
        return {
            Form.FLAG: "true or false",
            Form.TEXT: f"a text of at most {_shown(self.high)} bytes",
            Form.WORDS: 'a list of texts, such as ["one", "two"]',
            Form.RANGES: "a list of pairs of numbers, low before high, such as [[300, 340]]",
            Form.FREE: "a table of numbers and texts",
            Form.PINS: 'a table of pins by function, such as led = "D4"',
            Form.TABLE: "a table",
            Form.NAMED: "a table of tables",
            Form.LIST: "a list of tables",
        }[self.form]


def _shown(value: str | float) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if abs(value) < 1e6 or math.isinf(value) else f"{value:.0f}"


def _field(default: Any, key: Key) -> Any:
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata={"key": key})
    return field(default=default, metadata={"key": key})


def number(default: float | None, unit: str, low: float, high: float, doc: str) -> Any:
    """A number between `low` and `high`, both included."""
    return _field(default, Key(Form.NUMBER, doc, unit, low, high))


def whole(default: int | None, unit: str, low: int, high: int, doc: str) -> Any:
    """A whole number between `low` and `high`, both included."""
    return _field(default, Key(Form.WHOLE, doc, unit, low, high))


def choice(
    default: str | float | None, choices: tuple[str | float, ...], doc: str, unit: str = "", real: bool = False
) -> Any:
    """One of some texts or numbers."""
    if not all(isinstance(c, float | int) for c in choices):
        form = Form.TEXT
    else:
        form = Form.WHOLE if all(isinstance(c, int) for c in choices) else Form.NUMBER
    return _field(default, Key(form, doc, unit, choices=choices, real=real))


def flag(default: bool | None, doc: str) -> Any:
    """True or false."""
    return _field(default, Key(Form.FLAG, doc))


def text(default: str | None, doc: str, length: int = 200, toml: str = "", real: bool = False) -> Any:
    """A text of at most `length` bytes."""
    return _field(default, Key(Form.TEXT, doc, low=0, high=length, toml=toml, real=real))


def words(doc: str, real: bool = False) -> Any:
    """A list of texts."""
    return _field((), Key(Form.WORDS, doc, real=real))


def ranges(unit: str, doc: str) -> Any:
    """A list of [from, to] pairs."""
    return _field((), Key(Form.RANGES, doc, unit))


def free(doc: str, names: tuple[str, ...] = ()) -> Any:
    """A table of names to whole numbers or texts."""
    return _field({}, Key(Form.FREE, doc, names=names))


def pins(doc: str, names: tuple[str, ...]) -> Any:
    """A table of functions to pins."""
    return _field({}, Key(Form.PINS, doc, names=names))


def table(cls: type, doc: str) -> Any:
    """A table of its own, of class `cls`."""
    return field(default_factory=cls, metadata={"key": Key(Form.TABLE, doc, table=cls)})


def named(cls: type, doc: str, names: tuple[str, ...] = (), toml: str = "", real: bool = False) -> Any:
    """Tables of class `cls` under names."""
    return _field({}, Key(Form.NAMED, doc, table=cls, names=names, toml=toml, real=real))


def tables(cls: type, doc: str, toml: str = "") -> Any:
    """A list of tables of class `cls`."""
    return _field((), Key(Form.LIST, doc, table=cls, toml=toml))


def keys_of(cls: type) -> Mapping[str, tuple[str, Key, Any]]:
    """Of a declared class: key as written in the file -> (field name, Key, default), in the order declared."""
    out: dict[str, tuple[str, Key, Any]] = {}
    for f in dataclasses.fields(cls):
        key = f.metadata.get("key")
        if isinstance(key, Key):
            made = f.default_factory() if f.default_factory is not dataclasses.MISSING else f.default
            out[key.toml or f.name] = (f.name, key, made)
    return out
