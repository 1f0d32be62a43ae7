"""Fuse bytes and lock bits of the ATmega328P and 328PB as the chip reads them: what they mean, and what is wrong.

Source: ATmega328P data sheet (42735B), chapters "Memory Programming" (fuse and lock bits) and "System Clock and Clock
Options" (device clocking options select), table "Boot Size Configuration, ATmega328/328P". A programmed bit reads 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchctl.analysis.supply_rules import BROWN_OUT

FLASH_BYTES = 32_768
_DIVIDED, _WATCHDOG_ALWAYS, _STARTS_LOADER = 0x80, 0x10, 0x01
_CLOCKS = {0b0000: "external clock", 0b0001: "reserved clock source", 0b0010: "internal 8 MHz oscillator",
           0b0011: "internal 128 kHz oscillator", 0b0100: "watch crystal", 0b0101: "watch crystal"}  # fmt: skip
_INTERNAL = (0b0010, 0b0011)
#: low fuse for a crystal of 8 MHz and more, longest start-up, clock not divided
CRYSTAL = 0xFF


@dataclass(frozen=True, slots=True)
class Fuses:
    """Low, high and extended fuse byte, and the lock bits."""

    low: int
    lock: int
    extended: int
    high: int

    @property
    def brown_out_v(self) -> float | None:
        """Typical level of the brown-out detector, 0 when it is off; None for bits that mean nothing."""
        bits = f"{self.extended & 0b111:03b}"
        return {"111": 0.0, **{level.fuse: level.typical for level in BROWN_OUT}}.get(bits)

    @property
    def clock_divided(self) -> bool:
        """CKDIV8: after a reset the clock is an eighth of its source."""
        return not self.low & _DIVIDED

    @property
    def clock_source(self) -> str:
        return _CLOCKS.get(self.low & 0x0F, "crystal")

    @property
    def loader_bytes(self) -> int:
        """Flash kept for the boot loader, at its end."""
        return 4096 >> (self.high >> 1 & 0b11)

    @property
    def starts_loader(self) -> bool:
        """BOOTRST: a reset starts the boot loader, not the program."""
        return not self.high & _STARTS_LOADER

    def __str__(self) -> str:
        level = self.brown_out_v
        detector = "off" if level == 0 else f"{level:g} V" if level else "no known level"
        start = f"boot loader of {self.loader_bytes} bytes" if self.starts_loader else "no boot loader"
        divided = ", divided by 8" if self.clock_divided else ""
        return (
            f"fuses {self.low:02X} {self.high:02X} {self.extended:02X}, lock bits {self.lock:02X}: "
            f"{self.clock_source}{divided}, brown-out detector {detector}, {start}"
        )


def fuses(raw: bytes) -> Fuses:
    """From the four bytes of an `identify` answer: low byte, lock bits, extended byte, high byte."""
    return Fuses(*raw)


def raw_fuses(low: int, high: int, brown_out_v: float, lock: int = 0xFF) -> bytes:
    """The four bytes of a chip whose brown-out detector has this typical level, 0 for off."""
    bits = {0.0: "111", **{level.typical: level.fuse for level in BROWN_OUT}}[brown_out_v]
    return bytes((low, lock, 0xF8 | int(bits, 2), high))


def _byte(name: str, value: int) -> str:
    return f"set its {name} fuse to 0x{value:02X} with a programmer at the six-pin header"


def complaints(found: Fuses, *, declared_v: float | None, image_bytes: int = 0) -> Iterator[str]:
    """What of the fuses hurts, a sentence each with what to do. declared_v: brown-out level by the pair file."""
    level = found.brown_out_v
    if declared_v is not None and level is not None and level != declared_v:
        as_found, as_told = (f"{v:g} V" if v else "off" for v in (level, declared_v))
        yield (
            f"the brown-out detector is fused to {as_found}, the pair file says {as_told}: correct supply.brown_out_v "
            f"there, or {_byte('extended', raw_fuses(0, 0, declared_v)[2])}"
        )
    if found.clock_divided:
        yield (
            f"the fuse CKDIV8 divides the clock by 8 at every start; the probe undoes it, a boot loader or your own "
            f"program may not: {_byte('low', found.low | _DIVIDED)}"
        )
    if found.low & 0x0F in _INTERNAL:
        yield (
            f"the chip runs from its {found.clock_source}, which is too far off for a serial line (10 % as delivered): "
            f"with a crystal fitted {_byte('low', CRYSTAL)}"
        )
    if not found.high & _WATCHDOG_ALWAYS:
        byte = _byte("high", found.high | _WATCHDOG_ALWAYS)
        yield f"the fuse WDTON keeps the watchdog running from every start: {byte}"
    if found.starts_loader and image_bytes > FLASH_BYTES - found.loader_bytes:
        yield (
            f"the fuses keep {found.loader_bytes} bytes for the boot loader, and the image of {image_bytes} bytes "
            f"reaches into them: fit a smaller boot loader, with the high fuse that belongs to it"
        )
    if found.lock & 0b11 != 0b11:
        yield "the lock bits keep a programmer from reading or writing the chip; erasing it clears them"
