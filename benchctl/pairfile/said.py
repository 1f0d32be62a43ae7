"""A pair as dotted keys, "pins.led" to a value, and back: what a search finds comes one key at a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchctl.pairfile.keys import Form, keys_of
from benchctl.pairfile.reader import made
from benchctl.pairfile.schema import BoardFacts, PairSpec
from benchctl.terms import Role

Value = str | int | float | bool


def said(facts: BoardFacts) -> dict[str, Value]:
    """Every key of a board that somebody has stated, by its dotted name; values as in the file."""
    return dict(_flat("", facts))


def _flat(place: str, held: Any) -> list[tuple[str, Value]]:
    out: list[tuple[str, Value]] = []
    for name, (field_name, key, default) in keys_of(type(held)).items():
        value, here = getattr(held, field_name), f"{place}{name}"
        if key.form is Form.TABLE:
            out += _flat(f"{here}.", value)
        elif key.form is Form.NAMED:
            for entry, inner in value.items():
                out += _flat(f"{here}.{entry}.", inner)
        elif key.form in (Form.FREE, Form.PINS):
            out += [(f"{here}.{entry}", one) for entry, one in value.items()]
        elif value != default:
            out.append((here, value))
    return out


def pair_of(boards: Mapping[Role, Mapping[str, Value]], name: str) -> PairSpec:
    """The pair whose boards have these dotted keys. Raises UsageError for a key or value that no pair file may have."""
    tree: dict[str, Any] = {"name": name, "board": {str(role): _nested(keys) for role, keys in boards.items()}}
    return made(tree, f"pair {name}", name)


def _nested(keys: Mapping[str, Value]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in keys.items():
        at = out
        *path, last = key.split(".")
        for part in path:
            at = at.setdefault(part, {})
        at[last] = value
    return out
