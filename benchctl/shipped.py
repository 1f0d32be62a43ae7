"""Finds what is shipped with the package: procedures and firmware images, in a wheel or in a checkout."""

from __future__ import annotations

import os
from pathlib import Path

from benchctl.errors import UsageError

_HERE = Path(__file__).resolve().parent
#: in a wheel the procedures lie in the package, in a checkout beside it
_PROCEDURES = (_HERE / "procedures", _HERE.parent / "procedures")
IMAGES = _HERE / "data" / "images"


def procedures() -> dict[str, Path]:
    """Shipped procedures by name."""
    folder = next((p for p in _PROCEDURES if p.is_dir()), _PROCEDURES[0])
    return {p.stem: p for p in sorted(folder.glob("*.toml"))}


def procedure(name_or_path: str) -> Path:
    """The file of a procedure named by path or by shipped name. Raises UsageError listing what there is."""
    known = procedures()
    if name_or_path in known:
        return known[name_or_path]
    if os.path.isfile(name_or_path):
        return Path(name_or_path)
    raise UsageError(
        f"no procedure {name_or_path!r}: expected a file, or one of the shipped ones: {', '.join(known) or 'none'}"
    )


def image(clock_hz: int) -> Path:
    """The shipped probe image for a clock frequency. Raises UsageError when there is none."""
    path = IMAGES / f"probe_{clock_hz // 1_000_000}mhz.hex"
    if not path.is_file():
        raise UsageError(f"no probe image for {clock_hz / 1e6:g} MHz is shipped; expected {path.name}")
    return path
