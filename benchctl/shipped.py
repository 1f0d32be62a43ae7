"""Finds what is shipped with the package: procedures and firmware images, in a wheel or in a checkout."""

from __future__ import annotations

import json
import os
import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path

from benchctl.errors import UsageError
from benchctl.terms import Role

_HERE = Path(__file__).resolve().parent
#: in a wheel the procedures lie in the package, in a checkout beside it
_PROCEDURES = (_HERE / "procedures", _HERE.parent / "procedures")
_FIRST = ("set-up", "bring-up")
#: benches with nothing wrong, or for another purpose
_SOUND = (
    *("black-box", "confirmed-pair", "enough-capacitor", "four-motors", "mudlark", "mudlark-low-volt"),
    "mudlark-modules",
)
IMAGES = _HERE / "data" / "images"


def procedures() -> dict[str, Path]:
    """Shipped procedures by name, in the order in which a new pair meets them, then by name."""
    folder = next((p for p in _PROCEDURES if p.is_dir()), _PROCEDURES[0])
    found = {p.stem: p for p in sorted(folder.glob("*.toml"))}
    return {name: found[name] for name in (*(n for n in _FIRST if n in found), *(n for n in found if n not in _FIRST))}


def title(procedure: Path) -> str:
    """A procedure's title, without its stages being read; its file's name where it has none that can be read."""
    try:
        found = tomllib.loads(procedure.read_text("utf-8")).get("title")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        found = None
    return found if isinstance(found, str) and found else procedure.stem


def faulty_benches() -> list[str]:
    """Names of the shipped benches with something wrong, for practice in finding it."""
    return sorted(p.stem for p in (_HERE / "data" / "benches").glob("*.toml") if p.stem not in _SOUND)


def procedure(name_or_path: str) -> Path:
    """The file of a procedure named by path or by shipped name. Raises UsageError listing what there is."""
    known = procedures()
    if name_or_path in known:
        return known[name_or_path]
    if os.path.isfile(name_or_path):
        return Path(name_or_path)
    near = get_close_matches(name_or_path.replace("_", "-"), known, n=1)
    meant = f"did you mean {near[0]}? " if near else ""
    raise UsageError(
        f"no procedure {name_or_path!r}: {meant}expected a file, or one of the shipped ones: "
        f"{', '.join(known) or 'none'}"
    )


@dataclass(frozen=True, slots=True)
class Image:
    """A shipped image. kind: "pair" for hand and craft units, or "gauge". crc: CRC-32 of its bytes. stack: bytes that
    it leaves for the stack."""

    path: Path
    kind: str
    clock_hz: int
    crc: str
    size: int
    stack: int


#: what `identify` tells of its image, by number
KINDS = ("pair", "gauge")


def kind_for(role: Role) -> str:
    """Which kind of image a board of this role needs."""
    return KINDS[role is Role.GAUGE]


@lru_cache(maxsize=1)
def images() -> tuple[Image, ...]:
    """The table of the shipped images; empty where none are shipped."""
    table = IMAGES / "manifest.json"
    if not table.is_file():
        return ()
    rows = json.loads(table.read_text("utf-8"))["images"]
    return tuple(
        Image(IMAGES / name, row["kind"], row["clock_hz"], row["crc32"], row["flash_bytes"], row["ram_left_for_stack"])
        for name, row in rows.items()
    )


def image(clock_hz: int, role: Role = Role.CRAFT) -> Path:
    """The shipped image for a clock frequency and a role. Raises UsageError when there is none."""
    kind = kind_for(role)
    for one in images():
        if one.clock_hz == clock_hz and one.kind == kind:
            return one.path
    raise UsageError(f"no image for {clock_hz / 1e6:g} MHz of the kind {kind} is shipped in {IMAGES}")
