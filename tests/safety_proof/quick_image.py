"""The firmware built in a fraction of a second when one file has changed: without optimisation over all files at once.

It does what the shipped image does, some instructions later; `make` builds that one in three seconds.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware_probe"
#: of the Makefile's flags, those that only tell what is an error; without link-time optimisation it would not fit
_NOT_HERE = re.compile(r"-Werror|-W(all|extra)")


def _flags(name: str) -> list[str]:
    """A variable of the Makefile, without those that do not count here."""
    text = (FIRMWARE / "Makefile").read_text("utf-8").replace("\\\n", " ")
    values = dict(re.findall(r"^(\w+) \??= (.*)$", text, re.M))
    whole = re.sub(r"\$\((\w+)\)", lambda found: values.get(found.group(1), ""), values[name])
    return [flag for flag in whole.split() if not _NOT_HERE.fullmatch(flag)]


class QuickImage:
    """Sources in a folder of their own, to be changed there; objects of unchanged ones are kept, by clock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sources = folder / "sources"
        shutil.copytree(FIRMWARE, self.sources, ignore=shutil.ignore_patterns("build", "marks"))
        self._objects: dict[int, dict[str, Path]] = {}
        self._stale: dict[int, set[str]] = {}

    @property
    def _files(self) -> list[Path]:
        return sorted((*self.sources.glob("*.cpp"), self.sources / "firmware_probe.ino"))

    def put(self, name: str, source: bytes) -> None:
        """A file as it is from now on; a header has everything compiled anew."""
        (self.sources / name).write_bytes(source)
        changed = {name} if name.endswith(".cpp") else {p.name for p in self._files}
        for stale in self._stale.values():
            stale |= changed

    def image(self, clock: int) -> Path | None:
        """HEX file for a chip of so many MHz; None where the sources do not compile or do not fit."""
        objects = self._objects.setdefault(clock, {})
        stale = self._stale.setdefault(clock, {p.name for p in self._files})
        flags = [*_flags("FLAGS"), "-w", f"-DF_CPU={clock}000000UL"]
        elf = self.folder / f"probe_{clock}mhz.elf"
        image = elf.with_suffix(".hex")
        try:
            for name in sorted(stale):
                objects[name] = self.folder / f"{name}.{clock}.o"
                self._run(["avr-g++", *flags, "-c", "-x", "c++", str(self.sources / name), "-o", str(objects[name])])
            stale.clear()
            link = ["-Wl,--gc-sections", "-Wl,--relax", *map(str, objects.values())]
            self._run(["avr-g++", *flags, *link, "-o", str(elf)])
            self._run(["avr-objcopy", "-O", "ihex", "-R", ".eeprom", str(elf), str(image)])
        except subprocess.CalledProcessError:
            return None
        return image

    def _run(self, command: list[str]) -> None:
        subprocess.run(command, check=True, capture_output=True)
