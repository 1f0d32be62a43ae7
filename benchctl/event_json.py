"""Events as JSON objects, a line of the record each.

`to_json` and `from_json` are each other's inverse; an unknown event or field from a newer version is an error that
names it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import cache, partial
from types import UnionType
from typing import Any, get_type_hints

import numpy as np

from benchctl.events import Event, RunStarted, kinds
from benchctl.facts import Fact, catalogue

#: of the record's lines; its first line says it
SCHEMA = 1


def _plain(value: Any) -> Any:
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, Fact):
        return {"fact": type(value).__name__} | {
            f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)
        }
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def to_json(event: Event) -> dict[str, Any]:
    """The event as a JSON object; "event" is its class name. `Samples.data` is left out.

    Strict JSON has no NaN and no infinity: they are written as the words "nan", "inf" and "-inf".
    """
    out: dict[str, Any] = {"event": type(event).__name__}
    if isinstance(event, RunStarted):
        out["schema"] = SCHEMA
    for f in dataclasses.fields(event):
        if f.name != "data":
            out[f.name] = _plain(getattr(event, f.name))
    return out


_NOT_FINITE = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


def _float(value: Any) -> float:
    if isinstance(value, str) and value in _NOT_FINITE:
        return _NOT_FINITE[value]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"expected a number, got {value!r:.40}")
    return float(value)


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError(f"expected a list, got {value!r:.40}")
    return value


def _object(value: Any) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise ValueError(f"expected an object, got {value!r:.40}")
    return value


def _exactly(kind: type, value: Any) -> Any:
    if kind is int and isinstance(value, float) and value.is_integer():
        return int(value)
    if type(value) is not kind:
        raise ValueError(f"expected {kind.__name__}, got {value!r:.40}")
    return value


def _one_of(kinds: tuple[type, ...], value: Any) -> Any:
    """A value of one of some plain types; JSON tells them apart, but for whole and not finite numbers where a float is
    meant."""
    if type(value) in kinds and not (float in kinds and value in _NOT_FINITE):
        return value
    if float in kinds:
        return _float(value)
    raise ValueError(f"expected {' or '.join(k.__name__ for k in kinds)}, got {value!r:.40}")


@cache
def _reader(hint: Any) -> Callable[[Any], Any]:
    """What turns JSON into the type that `hint` names; only the forms used above are known."""
    args: tuple[Any, ...] = getattr(hint, "__args__", ())
    origin = getattr(hint, "__origin__", hint)
    if type(None) in args:
        inner = _reader(next(a for a in args if a is not type(None)))
        return lambda value: None if value is None else inner(value)
    if isinstance(hint, UnionType):
        return partial(_one_of, args)
    if origin is tuple:
        inner = _reader(args[0])
        return lambda value: tuple([inner(v) for v in _list(value)])
    if origin is Mapping:
        inner = _reader(args[1])
        return lambda value: {k: inner(v) for k, v in _object(value).items()}
    if hint is float:
        return _float
    if issubclass(origin, StrEnum):
        return lambda value: hint(value)
    if origin is Fact:
        return _fact
    if dataclasses.is_dataclass(origin):
        return lambda value: _build(hint, _object(value))
    return partial(_exactly, origin)


@cache
def _readers(cls: type) -> dict[str, Callable[[Any], Any]]:
    return {name: _reader(hint) for name, hint in get_type_hints(cls).items()}


def _build(cls: type, obj: Mapping[str, Any]) -> Any:
    readers, found, name = _readers(cls), {}, ""
    try:
        for name, value in obj.items():
            found[name] = readers[name](value)
        return cls(**found)
    except KeyError as e:
        raise ValueError(f"{cls.__name__} has no field {name!r}") from e
    except TypeError as e:
        raise ValueError(f"{cls.__name__}: {e}") from e
    except ValueError as e:
        place = f"{cls.__name__}.{name}" if len(found) < len(obj) else cls.__name__
        raise ValueError(f"{place}: {e}") from e


def _fact(value: Any) -> Any:
    obj = dict(_object(value))
    name = obj.pop("fact", None)
    cls = catalogue().get(str(name))
    if cls is None:
        raise ValueError(f"unknown fact {name!r}")
    return _build(cls, obj)


def from_json(obj: Mapping[str, Any]) -> Event:
    """The event that `to_json` wrote.

    Raises ValueError naming the event or field that is unknown, missing or of the wrong type.
    """
    if not isinstance(obj, Mapping):
        raise ValueError("an event is a JSON object")
    name = obj.get("event")
    cls = kinds().get(str(name))
    if cls is None:
        raise ValueError(f"unknown event {name!r}")
    known = ("event", "schema") if cls is RunStarted else ("event",)
    if cls is RunStarted and obj.get("schema", SCHEMA) != SCHEMA:
        raise ValueError(f"schema {obj['schema']!r} of a record; this version reads {SCHEMA}")
    event: Event = _build(cls, {k: v for k, v in obj.items() if k not in known})
    return event
