"""The pair of the example repository: two polling sketches without interrupts for the radio, without sleep; other pins."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "firmware_probe" / "examples" / "own_repository"
_FLAGS = ("-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-std=gnu++17", "-Wall", "-Wextra", "-Werror")


def build(folder: Path, changes: Mapping[str, str] | None = None) -> dict[str, str]:
    """Images by role; changes: text in either sketch, and what stands there instead."""
    images = {}
    for role in ("hand", "craft"):
        text = (EXAMPLE / role / f"{role}.ino").read_text("utf-8")
        for old, new in (changes or {}).items():
            text = text.replace(old, new)
        source, out = folder / f"{role}.cpp", folder / f"{role}.elf"
        source.write_text(text, "utf-8")
        subprocess.run(["avr-g++", *_FLAGS, "-o", str(out), str(source)], check=True, capture_output=True, text=True)
        images[role] = str(out)
    return images


def bench(folder: Path) -> str:
    """A bench file around it: no motor is plugged in."""
    path = folder / "polled.toml"
    path.write_text(f'name = "polled"\nkind = "avr"\n[board.craft.esc.pulse2]\nplugged = false\n{_PAIR}', "utf-8")
    (folder / "pair.toml").write_text((EXAMPLE / "pair.toml").read_text("utf-8"), "utf-8")
    return str(path)


_PAIR = '[pair]\nfrom = "pair.toml"\n'
