"""The built images as the package ships them: sizes, manifest, and the proof that they match the sources."""

from __future__ import annotations

import binascii
import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
#: of the manifest: benchctl/data/schemas/images.json
SCHEMA = 1
#: 32 KB less the largest common boot loader section of 2 KB
FLASH = 30_720
#: of it, room for what comes
FLASH_FREE_LEAST = 1500
RAM = 2048
STACK_LEAST = 550
#: which image is for which boards: its name's beginning, and what `identify` tells
KINDS = {"probe": "pair", "gauge": "gauge"}
CLOCKS = (16, 8)
#: name, kind and clock in MHz of each
IMAGES = tuple((f"{name}_{clock}mhz", kind, clock) for name, kind in KINDS.items() for clock in CLOCKS)


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def source_hash() -> str:
    """SHA-256 over every source file by name and contents."""
    digest = hashlib.sha256()
    for path in sorted(HERE.iterdir()):
        if path.suffix in (".cpp", ".h", ".ino") or path.name in ("Makefile", "order.txt", "order.py", "outline.py"):
            digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def image_of(path: Path) -> bytes:
    """Flash contents from address 0 of an Intel HEX file without gaps."""
    out = b""
    for line in path.read_text().split():
        record = bytes.fromhex(line[1:])
        if record[3] == 0:
            assert int.from_bytes(record[1:3], "big") == len(out), f"{path}: a gap in the image"
            out += record[4:-1]
    return out


def sizes(elf: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM, stack not counted."""
    text = subprocess.run(["avr-size", "-A", str(elf)], check=True, capture_output=True, text=True).stdout
    size = {w[0]: int(w[1]) for w in (line.split() for line in text.splitlines()) if len(w) == 3 and w[1].isdigit()}
    return (
        size.get(".text", 0) + size.get(".data", 0),
        size.get(".data", 0) + size.get(".bss", 0) + size.get(".noinit", 0),
    )


def compiler() -> str:
    return subprocess.run(["avr-g++", "-dumpversion"], check=True, capture_output=True, text=True).stdout.strip()


def describe(build: Path) -> dict[str, Any]:
    """The manifest of what lies in the build folder."""
    images = {}
    for name, kind, clock in IMAGES:
        data = image_of(build / f"{name}.hex")
        flash, ram = sizes(build / f"{name}.elf")
        images[f"{name}.hex"] = {
            "kind": kind,
            "clock_hz": clock * 1_000_000,
            "crc32": f"{binascii.crc32(data):08x}",
            "bytes": len(data),
            "flash_bytes": flash,
            "ram_bytes": ram,
            "ram_left_for_stack": RAM - ram,
        }
    return {"schema": SCHEMA, "source_sha256": source_hash(), "compiler": f"avr-g++ {compiler()}", "images": images}


def show_sizes(elves: list[Path]) -> int:
    """Print the figures; 1 when a limit is broken."""
    bad = 0
    for elf in elves:
        flash, ram = sizes(elf)
        left = RAM - ram
        free = FLASH - flash
        say(f"{elf.stem}: flash {flash} of {FLASH} bytes, {free} free (limit {FLASH_FREE_LEAST}), RAM {ram} of {RAM}, "
            f"left for the stack {left}")  # fmt: skip
        bad |= free < FLASH_FREE_LEAST or left < STACK_LEAST
    return int(bad)


def ship(build: Path, to: Path) -> int:
    to.mkdir(parents=True, exist_ok=True)
    for name, _, _ in IMAGES:
        shutil.copyfile(build / f"{name}.hex", to / f"{name}.hex")
    (to / "manifest.json").write_text(json.dumps(describe(build), indent=2) + "\n")
    return show_sizes([build / f"{name}.elf" for name, _, _ in IMAGES])


def check(build: Path, shipped: Path) -> int:
    """0 when the shipped images and their manifest are what the sources give."""
    manifest = json.loads((shipped / "manifest.json").read_text())
    made = describe(build)
    if manifest["compiler"] != made["compiler"]:
        say(
            f"images were built with {manifest['compiler']}, this is {made['compiler']}: no proof possible"
        )
        return 2
    differing = [name for name in made["images"] if (build / name).read_bytes() != (shipped / name).read_bytes()] + [
        key for key in made if made[key] != manifest.get(key)
    ]
    for name in differing:
        say(f"{name}: the shipped one is not what the sources give; run `make images`")
    return int(bool(differing))


def main(arguments: list[str]) -> int:
    what, *rest = arguments
    paths = [Path(p) for p in rest]
    if what == "size":
        return show_sizes(paths)
    return {"ship": ship, "check": check}[what](paths[0], paths[1])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
