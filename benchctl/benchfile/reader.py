"""Bench TOML → `BenchSpec`; every complaint names file, key and what was expected."""

from __future__ import annotations

import difflib
import hashlib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from benchctl.benchfile.checks import check
from benchctl.benchfile.keys import Form, Key, keys_of
from benchctl.benchfile.schema import DEFAULT_WIRES, ROLE_DEFAULTS, BenchSpec
from benchctl.errors import UsageError
from benchctl.terms import Role

SHIPPED = Path(__file__).resolve().parents[1] / "data" / "benches"
#: short names: shipped file and kind
SHORT = {"sim": ("mudlark", "sim"), "avr": ("mudlark", "avr")}
_NAME = re.compile(r"[A-Za-z0-9_-]{1,24}")


def shipped_benches() -> list[str]:
    """Names of the bench files that come with the package, sorted."""
    return sorted(p.stem for p in SHIPPED.glob("*.toml"))


def load(name_or_path: str) -> BenchSpec:
    """The bench of a short name (`sim`, `avr`, `ports`), of a shipped file's name, or of a file.

    Raises UsageError naming file, key and what was expected.
    """
    if name_or_path == "ports":
        return BenchSpec(name="ports", kind="serial", sha256=hashlib.sha256(b"ports").hexdigest(), path="ports")
    stem, kind = SHORT.get(name_or_path, (name_or_path, ""))
    shipped = SHIPPED / f"{stem}.toml" if _NAME.fullmatch(stem) else None
    path = shipped if shipped is not None and shipped.is_file() else Path(name_or_path)
    spec = parse(_read(path, name_or_path), path.name, str(path))
    return spec.with_changes(kind=kind) if kind else spec


def _read(path: Path, asked: str) -> bytes:
    try:
        return path.read_bytes()
    except (OSError, ValueError) as e:
        if isinstance(e, FileNotFoundError):
            known = ", ".join([*SHORT, "ports", *shipped_benches()])
            raise UsageError(f"bench {asked!r}: no such file and no shipped bench; shipped are {known}") from e
        why = e.strerror if isinstance(e, OSError) else str(e)
        raise UsageError(f"bench {asked!r}: cannot be read: {why}") from e


def parse(data: bytes, file: str = "bench", path: str = "") -> BenchSpec:
    """The bench that the TOML text `data` describes; `file` is named in complaints. Raises UsageError."""
    try:
        raw = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as e:
        raise UsageError(f"bench {file}: expected UTF-8 text, byte {e.start + 1} is none") from e
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as e:
        raise UsageError(f"bench {file}: not readable as TOML: {str(e) or 'nested too deeply'}") from e
    spec: BenchSpec = _Reader(file).table(BenchSpec, _with_defaults(raw), "")
    check(spec, file)
    return replace(spec, sha256=hashlib.sha256(data).hexdigest(), path=path)


def _with_defaults(raw: dict[str, Any]) -> dict[str, Any]:
    """The file's tree laid over the defaults of each board's role."""
    out = dict(raw)
    boards = raw.get("board")
    if isinstance(boards, dict):
        out["board"] = {
            role: _laid_over(ROLE_DEFAULTS[Role(role)], given) if role in set(Role) else given
            for role, given in boards.items()
        }
        if {"hand", "craft"} <= set(boards):
            out.setdefault("wire", list(DEFAULT_WIRES))
    return out


def _laid_over(below: Mapping[str, Any], above: Any) -> Any:
    if not isinstance(above, dict):
        return above
    out = dict(below)
    for key, value in above.items():
        under = below.get(key)
        out[key] = _laid_over(under, value) if isinstance(under, Mapping) else value
    return out


def nearest(word: str, known: Iterable[str]) -> str:
    """ "; did you mean bulk_uf?" or the whole list when nothing is near."""
    known = list(known)
    close = difflib.get_close_matches(word, known, 1, 0.5)
    if close:
        return f"; did you mean {close[0]}?"
    return "; known are " + ", ".join(known) if known else ""


class _Reader:
    """Walks the tree by the declared keys; `file` goes into every complaint."""

    def __init__(self, file: str) -> None:
        self.file = file

    def table(self, cls: type, raw: Any, place: str) -> Any:
        if not isinstance(raw, dict):
            self._refuse(place, "a table", raw)
        keys = keys_of(cls)
        for key in raw:
            if key not in keys:
                here = f"{place}.{key}" if place else key
                raise UsageError(f"bench {self.file}, {here}: unknown key{nearest(key, keys)}")
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
            self._refuse(place, key.expected(), raw)
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
            if isinstance(value, bool) or not isinstance(value, int | str):
                self._refuse(f"{place}.{name}", "a whole number or a text", value)
        return dict(raw)

    def _named(self, key: Key, raw: Any, place: str) -> dict[str, Any]:
        assert key.table is not None
        if not isinstance(raw, dict):
            self._refuse(place, key.expected(), raw)
        out = {}
        for name, entry in raw.items():
            if key.names and name not in key.names:
                raise UsageError(f"bench {self.file}, {place}.{name}: unknown name{nearest(name, key.names)}")
            if not _NAME.fullmatch(name):
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

    def _refuse(self, place: str, expected: str, got: Any) -> NoReturn:
        shown = repr(got)
        shown = shown if len(shown) <= 60 else shown[:57] + "..."
        where = f", {place}" if place else ""
        raise UsageError(f"bench {self.file}{where}: expected {expected}, got {shown}")


def _is_pair(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in value)
        and value[0] < value[1]
    )


_BY_FORM: Mapping[Form, Any] = {
    Form.NUMBER: _Reader._number,
    Form.WHOLE: _Reader._whole,
    Form.FLAG: _Reader._flag,
    Form.TEXT: _Reader._text,
    Form.WORDS: _Reader._words,
    Form.RANGES: _Reader._ranges,
    Form.FREE: _Reader._free,
    Form.TABLE: _Reader._table,
    Form.NAMED: _Reader._named,
    Form.LIST: _Reader._list,
}
