"""The schema of a record's lines, made from the events' own declarations: `python tests/cli/event_schema.py` writes it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from types import UnionType
from typing import Any, get_type_hints

import benchctl
from benchctl import events as ev
from benchctl.event_json import SCHEMA
from benchctl.facts import Fact, catalogue

FILE = Path(benchctl.__file__).parent / "data" / "schemas" / "event.json"
_PLAIN = {str: "string", bool: "boolean", int: "integer", dict: "object", list: "array"}
#: strict JSON has no numbers for them
_NUMBER = {"anyOf": [{"type": "number"}, {"enum": ["nan", "inf", "-inf"]}]}


def schema() -> dict[str, Any]:
    """JSON Schema of one line of `events.jsonl`."""
    defs: dict[str, Any] = {}
    lines = [_ref(cls, "event", defs) for _, cls in sorted(ev.kinds().items())]
    facts = [_ref(cls, "fact", defs) for _, cls in sorted(catalogue().items())]
    defs["Fact"] = {"anyOf": facts}
    start = defs["RunStarted"]
    start["properties"]["schema"] = {"const": SCHEMA}
    start["required"].append("schema")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "a line of events.jsonl; the first says the schema; an interval is an object of low, high and level",
        "type": "object",
        "anyOf": lines,
        "$defs": dict(sorted(defs.items())),
    }


def _ref(cls: type, tag: str, defs: dict[str, Any]) -> dict[str, str]:
    """Where the class is described; tag: the key that holds its name, "" for none."""
    if cls.__name__ not in defs:
        defs[cls.__name__] = made = {"type": "object"}
        hints = {k: h for k, h in get_type_hints(cls).items() if k != "data"}
        fields = [f for f in dataclasses.fields(cls) if f.name in hints]
        told = {tag: {"const": cls.__name__}} if tag else {}
        made["properties"] = told | {f.name: _of(hints[f.name], defs) for f in fields}
        made["required"] = [*told, *(f.name for f in fields)]  # all are written; records of before lack some
        made["additionalProperties"] = False
    return {"$ref": f"#/$defs/{cls.__name__}"}


def _of(hint: Any, defs: dict[str, Any]) -> dict[str, Any]:
    args: tuple[Any, ...] = getattr(hint, "__args__", ())
    origin = getattr(hint, "__origin__", hint)
    if isinstance(hint, UnionType) or type(None) in args:
        return {"anyOf": [{"type": "null"} if a is type(None) else _of(a, defs) for a in args]}
    if origin is tuple:
        return {"type": "array", "items": _of(args[0], defs)}
    if origin is Mapping:
        return {"type": "object", "additionalProperties": _of(args[1], defs)}
    if hint is float:
        return _NUMBER
    if origin is Fact:
        return {"$ref": "#/$defs/Fact"}
    if issubclass(origin, StrEnum):
        return {"enum": [one.value for one in origin]}
    return _ref(origin, "", defs) if dataclasses.is_dataclass(origin) else {"type": _PLAIN[origin]}


def text() -> str:
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FILE.write_text(text(), "utf-8")
