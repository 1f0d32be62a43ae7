"""Keeping a pair file in the user's folder of pairs."""

from __future__ import annotations

import itertools
from dataclasses import replace

from benchctl.errors import UsageError
from benchctl.pairfile.reader import folder, load, shipped
from benchctl.pairfile.schema import PairSpec
from benchctl.pairfile.writing import as_toml


def keep(pair: PairSpec, instead: str = "") -> str:
    """Write the pair into the user's folder; returns the name under which it is there.

    instead: a pair of the user's whose place it takes; that one's file gets ".old" behind its name. Else another pair
    of that name stays: the new one is then called NAME-2, and so on. Raises UsageError when the folder cannot be
    written.
    """
    if instead:
        path, pair = folder() / f"{instead}.toml", replace(pair, name=instead)
        try:
            if path.exists() and not _same(load(str(path)), pair):
                path.replace(f"{path}.old")
        except OSError as e:
            raise UsageError(f"{path}: cannot be renamed ({e.strerror or e})") from e
    for name in itertools.chain([pair.name], (f"{pair.name}-{n}" for n in itertools.count(2))):
        path, named = folder() / f"{name}.toml", replace(pair, name=name)
        if name in shipped():
            continue
        try:
            if path.exists():
                if _same(load(str(path)), named):
                    return name
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(as_toml(named), "utf-8")
        except OSError as e:
            raise UsageError(f"{path}: cannot be written ({e.strerror or e})") from e
        return name
    raise AssertionError("names do not end")


def _same(one: PairSpec, other: PairSpec) -> bool:
    return as_toml(one) == as_toml(other)
