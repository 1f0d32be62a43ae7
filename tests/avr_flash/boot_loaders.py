"""Boot loaders as the Debian package arduino-core-avr brings them, laid into a whole flash.

Where they start: their own first record, which is where the fuses BOOTSZ and BOOTRST of the boards in that package's
boards.txt point.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

LOADERS = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")
OLDER = LOADERS / "atmega/ATmegaBOOT_168_atmega328.hex"
OLDER_8_MHZ = LOADERS / "atmega/ATmegaBOOT_168_atmega328_pro_8MHz.hex"
NEWER = LOADERS / "optiboot/optiboot_atmega328.hex"
FLASH_SIZE = 32768
#: "rjmp to itself": what the board runs before it has been flashed
NOTHING = b"\xff\xcf"
#: as the package's own Makefile builds it for a 16 MHz ATmega328P
_BUILD = ["avr-gcc", "-Os", "-fno-inline-small-functions", "-fno-split-wide-types", "-mshort-calls", "-mmcu=atmega328p", "-DF_CPU=16000000L", "-DBAUD_RATE=115200", "-Wl,--section-start=.text=0x7e00", "-Wl,--section-start=.version=0x7ffe", "-Wl,--relax", "-nostartfiles", "-nostdlib", "-w", "-DLED_START_FLASHES=0"]  # fmt: skip


def built_newer(folder: Path) -> Path:
    """The newer loader from the package's source, in so many bytes as its section holds: without the blinking at its
    start, since the package's own build is 20 bytes too long and starts no program."""
    elf, source = folder / "loader.elf", LOADERS / "optiboot/optiboot.c"
    subprocess.run([*_BUILD, f"-I{source.parent}", str(source), "-o", str(elf)], check=True)
    subprocess.run(["avr-objcopy", "-O", "ihex", str(elf), str(folder / "loader.hex")], check=True)
    return folder / "loader.hex"


def loader_and_start(path: Path) -> tuple[bytes, int]:
    """The boot loader's bytes in a whole flash, and where it starts.

    Records beyond the flash are left out, as a programmer has to: one of the package's images has some.
    """
    whole, start = bytearray(b"\xff" * FLASH_SIZE), FLASH_SIZE
    for line in path.read_text().split():
        record = bytes.fromhex(line[1:])
        at = int.from_bytes(record[1:3], "big")
        if record[3] == 0 and at < FLASH_SIZE:
            whole[at : at + record[0]] = record[4:-1]
            start = min(start, at)
    whole[: len(NOTHING)] = NOTHING
    return bytes(whole), start


def as_hex(data: bytes) -> str:
    rows = []
    for at in range(0, len(data), 16):
        body = bytes((16, at >> 8, at & 0xFF, 0)) + data[at : at + 16]
        rows.append(":" + (body + bytes((-sum(body) & 0xFF,))).hex())
    return "\n".join([*rows, ":00000001FF"])


def start_at(chip: object, address: int) -> None:
    """The fuse that has the chip start there after a reset."""
    chip._lib.chip_start_at(chip.c, address)  # type: ignore[attr-defined]
