"""Records of runs spoiled in every way that a file from elsewhere can be: values of other types and sizes, lines
lost, doubled, shuffled, keys missing or new, bytes changed."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

#: what stands in for a value; big, small, odd, of another type
ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1e308, -1e308, 10**30, "", "x", "\u0000", "<script>alert(1)</script>", "\ud800", "nan", [], {},
    [1], {"a": 1}, [[]], "hand", "pass", "fail", 1.5, "../../etc/passwd", "ü" * 300,
)  # fmt: skip

Lines = list[bytes]


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    out = [path] if path else []
    if isinstance(value, dict):
        for k in value:
            out += _places(value[k], (*path, k))
    elif isinstance(value, list):
        for i in range(len(value)):
            out += _places(value[i], (*path, i))
    return out


def odd_value(lines: Lines, chance: random.Random) -> Lines:
    """One value somewhere becomes another, its key goes, or a key comes that nobody knows."""
    at = chance.randrange(len(lines))
    event = json.loads(lines[at])
    path = chance.choice(_places(event))
    inner = event
    for step in path[:-1]:
        inner = inner[step]
    what = chance.randrange(6)
    if what == 0:
        del inner[path[-1]]
    elif what == 1 and isinstance(inner, dict):
        inner["new"] = chance.choice(ODD)
    else:
        inner[path[-1]] = chance.choice(ODD)
    return [*lines[:at], json.dumps(event).encode(), *lines[at + 1 :]]


def lost_lines(lines: Lines, chance: random.Random) -> Lines:
    share = chance.random()
    return [line for line in lines if chance.random() > share]


def doubled_lines(lines: Lines, chance: random.Random) -> Lines:
    return [line for line in lines for _ in range(chance.choice((1, 1, 2, 3)))]


def shuffled_lines(lines: Lines, chance: random.Random) -> Lines:
    out = list(lines)
    chance.shuffle(out)
    return out


def changed_bytes(lines: Lines, chance: random.Random) -> Lines:
    data = bytearray(b"\n".join(lines))
    for _ in range(chance.randrange(1, 20)):
        data[chance.randrange(len(data))] = chance.randrange(256)
    return bytes(data).split(b"\n")


def nonsense(lines: Lines, chance: random.Random) -> Lines:
    return [chance.choice((b"", b"null", b"[]", b"{}", b"1", b'{"event":"x"}', chance.randbytes(40), b"[" * 5000))
            for _ in range(chance.randrange(6))]  # fmt: skip


SPOILERS: dict[str, Callable[[Lines, random.Random], Lines]] = {
    "odd value": odd_value,
    "lost lines": lost_lines,
    "doubled lines": doubled_lines,
    "shuffled lines": shuffled_lines,
    "changed bytes": changed_bytes,
    "nonsense": nonsense,
}
