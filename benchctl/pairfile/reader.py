"""Pair files by name: shipped ones, those in the user's folder of pairs, and any file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchctl.pairfile.checks import RULES
from benchctl.pairfile.reading import NAME, Reader, check, read_bytes, read_toml
from benchctl.pairfile.schema import PairSpec

SHIPPED = Path(__file__).resolve().parents[1] / "data" / "pairs"


def folder() -> Path:
    """Where the user's own pair files are kept."""
    from platformdirs import user_data_path

    return user_data_path("benchctl", appauthor=False) / "pairs"


def shipped() -> dict[str, Path]:
    """Pair files that come with the package, by name."""
    return {p.stem: p for p in sorted(SHIPPED.glob("*.toml"))}


def own() -> dict[str, Path]:
    """The user's pair files, by name."""
    try:
        return {p.stem: p for p in sorted(folder().glob("*.toml"))}
    except OSError:
        return {}


def load(name_or_path: str, beside: Path | None = None) -> PairSpec:
    """The pair of a name (in the user's folder, or a shipped one) or of a file.

    beside: the folder of the file that names it; paths count from there. Raises UsageError naming file and key.
    """
    path = _find(name_or_path, beside)
    known = [*own(), *shipped()]
    return parse(read_bytes(path, "pair", name_or_path, known), path.name, str(path))


def _find(name_or_path: str, beside: Path | None) -> Path:
    if NAME.fullmatch(name_or_path):
        for known in (own(), shipped()):
            if name_or_path in known:
                return known[name_or_path]
    given = Path(name_or_path)
    return beside / given if beside is not None and not given.is_absolute() else given


def parse(data: bytes, file: str = "pair.toml", path: str = "") -> PairSpec:
    """The pair that TOML text describes; `file` is named in complaints. Raises UsageError."""
    tree = read_toml(data, "pair", file)
    return made(tree, f"pair {file}", Path(file).stem, hashlib.sha256(data).hexdigest(), path)


def made(tree: Mapping[str, Any], where: str, name: str, sha256: str = "", path: str = "") -> PairSpec:
    """The pair of a tree as TOML gives it. where: in front of complaints. name: unless the tree has one."""
    pair: PairSpec = Reader(where).table(PairSpec, dict(tree), "")
    check(pair, where, RULES)
    return replace(pair, name=pair.name or name, sha256=sha256, path=path)


def tree(name_or_path: str, beside: Path | None = None) -> dict[str, Any]:
    """The tree of a pair file, to lay others over. Raises UsageError."""
    path = _find(name_or_path, beside)
    return read_toml(read_bytes(path, "pair", name_or_path, [*own(), *shipped()]), "pair", path.name)
