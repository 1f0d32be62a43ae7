"""TOML → frozen values by their declared keys, for pair files and bench files alike.

Every complaint names the file, the key and what was expected; a misspelt key comes with the nearest right one.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NoReturn

from benchctl.errors import UsageError
from benchctl.pairfile import pins
from benchctl.pairfile.keys import Form, Key, keys_of
from benchctl.terms import Role
from benchctl.wire.catalogue import SETTING_BY_NAME
from benchctl.wire.fields import MOST_TEXT

NAME = re.compile(r"[A-Za-z0-9_-]{1,24}")
#: what is wrong: the key's place and the rest of the sentence
Complaints = Iterator[tuple[str, str]]


def nearest(word: str, known: Iterable[str]) -> str:
    """ "; did you mean bulk_uf?" or the whole list when nothing is near."""
    known = list(known)
    close = difflib.get_close_matches(word, known, 1, 0.5)
    if close:
        return f"; did you mean {close[0]}?"
    return "; known are " + ", ".join(known) if known else ""


def read_bytes(path: Path, what: str, asked: str, known: Iterable[str]) -> bytes:
    """The file's bytes. what: "pair" or "bench". asked: as the user named it. known: names that would have been right.

    Raises UsageError.
    """
    try:
        return path.read_bytes()
    except FileNotFoundError as e:
        raise UsageError(f"{what} {asked!r}: no such file and no known {what}{nearest(asked, known)}") from e
    except (OSError, ValueError) as e:
        why = e.strerror if isinstance(e, OSError) else str(e)
        raise UsageError(f"{what} {asked!r}: cannot be read: {why}") from e


def read_toml(data: bytes, what: str, file: str) -> dict[str, Any]:
    """The tree that a file's bytes describe. Raises UsageError."""
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as e:
        raise UsageError(f"{what} {file}: expected UTF-8 text, byte {e.start + 1} is none") from e
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as e:
        raise UsageError(f"{what} {file}: not readable as TOML: {str(e) or 'nested too deeply'}") from e


def laid_over(below: Mapping[str, Any], above: Any) -> Any:
    """A tree over another: what `above` has counts, table by table."""
    if not isinstance(above, dict):
        return above
    out = dict(below)
    for key, value in above.items():
        under = below.get(key)
        out[key] = laid_over(under, value) if isinstance(under, Mapping) else value
    return out


def check(spec: Any, where: str, rules: Iterable[Callable[[Any], Complaints]]) -> None:
    """Raise UsageError for the first rule that is broken. where: "bench mine.toml"."""
    for rule in rules:
        for place, text in rule(spec):
            raise UsageError(f"{where}, {place}: {text}")


def settings_fit(settings: Mapping[str, int | str]) -> Complaints:
    """Values of stored settings against the wire's catalogue."""
    for name, value in settings.items():
        setting = SETTING_BY_NAME[name]
        if setting.type == "text16":
            if not isinstance(value, str) or len(value.encode()) > MOST_TEXT or not value.isprintable():
                expected = f"expected a text of at most {MOST_TEXT} bytes without control characters"
                yield f"settings.{name}", f"{expected}, got {value!r}"
        elif not isinstance(value, int) or not setting.min <= value <= setting.max:
            yield f"settings.{name}", f"expected a whole number from {setting.min} to {setting.max}, got {value!r}"


class Reader:
    """Walks a tree by the declared keys. where: "bench mine.toml", in front of every complaint."""

    def __init__(self, where: str) -> None:
        self.where = where

    def table(self, cls: type, raw: Any, place: str) -> Any:
        """An instance of the declared class. Raises UsageError."""
        if not isinstance(raw, dict):
            self._refuse(place, "a table", raw)
        keys = keys_of(cls)
        for key in raw:
            if key not in keys:
                here = f"{place}.{key}" if place else key
                raise UsageError(f"{self.where}, {here}: unknown key{nearest(key, keys)}")
        made = {}
        for key, (name, declared, _) in keys.items():
            if key in raw:
                made[name] = self._value(declared, raw[key], f"{place}.{key}" if place else key)
        return cls(**made)

    def _value(self, key: Key, raw: Any, place: str) -> Any:
        return _BY_FORM[key.form](self, key, raw, place)

    def _number(self, key: Key, raw: Any, place: str) -> float:
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            self._refuse(place, key.expected(), raw)
        fits = raw in key.choices if key.choices else key.low <= raw <= key.high
        if not fits or math.isnan(raw):
            self._refuse(place, key.expected(), raw)
        return float(raw)

    def _whole(self, key: Key, raw: Any, place: str) -> int:
        value = self._number(key, raw, place)
        if value != int(value):
            self._refuse(place, key.expected(), raw)
        return int(value)

    def _flag(self, key: Key, raw: Any, place: str) -> bool:
        return raw if isinstance(raw, bool) else self._refuse(place, key.expected(), raw)

    def _text(self, key: Key, raw: Any, place: str) -> str:
        if not isinstance(raw, str):
            self._refuse(place, key.expected(), raw)
        if key.choices and raw not in key.choices:
            close = difflib.get_close_matches(raw, [str(c) for c in key.choices], 1, 0.5)
            self._refuse(place, key.expected(), raw, f"; did you mean {close[0]}?" if close and raw else "")
        if not key.choices and (len(raw.encode()) > key.high or not raw.isprintable()):
            self._refuse(place, key.expected() + " without control characters", raw)
        return raw

    def _words(self, key: Key, raw: Any, place: str) -> tuple[str, ...]:
        if not isinstance(raw, list) or not all(isinstance(w, str) for w in raw):
            self._refuse(place, key.expected(), raw)
        return tuple(raw)

    def _ranges(self, key: Key, raw: Any, place: str) -> tuple[tuple[float, float], ...]:
        if not isinstance(raw, list) or not all(_is_pair(p) for p in raw):
            self._refuse(place, key.expected(), raw)
        return tuple((float(low), float(high)) for low, high in raw)

    def _free(self, key: Key, raw: Any, place: str) -> dict[str, int | str]:
        if not isinstance(raw, dict):
            self._refuse(place, key.expected(), raw)
        for name, value in raw.items():
            if key.names and name not in key.names:
                raise UsageError(f"{self.where}, {place}.{name}: unknown setting{nearest(name, key.names)}")
            if isinstance(value, bool) or not isinstance(value, int | str):
                self._refuse(f"{place}.{name}", "a whole number or a text", value)
        return dict(raw)

    def _pins(self, key: Key, raw: Any, place: str) -> dict[str, str]:
        """Function to port name ("PB1"), or to "none" where it is said that there is no such line."""
        if not isinstance(raw, dict):
            self._refuse(place, key.expected(), raw)
        out = {}
        for name, value in raw.items():
            here = f"{place}.{name}"
            if name not in key.names:
                raise UsageError(f"{self.where}, {here}: unknown function{nearest(name, key.names)}")
            pin = pins.find(value) if isinstance(value, str) else None
            if pin is None and value != pins.NONE:
                hint = nearest(value.upper(), pins.NAMES) if isinstance(value, str) and value else ""
                hint = hint if "did you mean" in hint else ""
                self._refuse(here, f'a pin such as "D9", "A0" or "PB1", or "{pins.NONE}"', value, hint)
            out[name] = pin.port if pin is not None else pins.NONE
        return out

    def _named(self, key: Key, raw: Any, place: str) -> dict[str, Any]:
        assert key.table is not None
        if not isinstance(raw, dict):
            self._refuse(place, key.expected(), raw)
        out = {}
        for name, entry in raw.items():
            if key.names and name not in key.names:
                raise UsageError(f"{self.where}, {place}.{name}: unknown name{nearest(name, key.names)}")
            if not NAME.fullmatch(name):
                self._refuse(f"{place}.{name}", "a name of at most 24 letters, digits, - and _", name)
            made = self.table(key.table, entry, f"{place}.{name}")
            out[Role(name) if key.names == tuple(Role) else name] = made
        return out

    def _list(self, key: Key, raw: Any, place: str) -> tuple[Any, ...]:
        assert key.table is not None
        if not isinstance(raw, list):
            self._refuse(place, key.expected(), raw)
        return tuple(self.table(key.table, entry, f"{place}[{n}]") for n, entry in enumerate(raw))

    def _table(self, key: Key, raw: Any, place: str) -> Any:
        assert key.table is not None
        return self.table(key.table, raw, place)

    def _refuse(self, place: str, expected: str, got: Any, more: str = "") -> NoReturn:
        shown = repr(got)
        shown = shown if len(shown) <= 60 else shown[:57] + "..."
        where = f", {place}" if place else ""
        raise UsageError(f"{self.where}{where}: expected {expected}, got {shown}{more}")


def _is_pair(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in value)
        and value[0] < value[1]
    )


_BY_FORM: Mapping[Form, Any] = {
    Form.NUMBER: Reader._number,
    Form.WHOLE: Reader._whole,
    Form.FLAG: Reader._flag,
    Form.TEXT: Reader._text,
    Form.WORDS: Reader._words,
    Form.RANGES: Reader._ranges,
    Form.FREE: Reader._free,
    Form.PINS: Reader._pins,
    Form.TABLE: Reader._table,
    Form.NAMED: Reader._named,
    Form.LIST: Reader._list,
}
