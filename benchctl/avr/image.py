"""A firmware image as flash contents: Intel HEX, or an ELF file's loadable segments."""

from __future__ import annotations

import struct
from pathlib import Path

from benchctl.errors import UsageError

FLASH_SIZE = 32768


def read_image(path: str | Path) -> bytes:
    """Flash contents from address 0 to the last byte of the image. Raises UsageError naming file and line."""
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as e:
        raise UsageError(f"{path}: the firmware image cannot be read ({e.strerror})") from e
    pieces = _elf(path, data) if data[:4] == b"\x7fELF" else _hex(path, data)
    end = max((address + len(piece) for address, piece in pieces), default=0)
    if not 0 < end <= FLASH_SIZE:
        raise UsageError(f"{path}: {end} bytes of program, expected 1 to {FLASH_SIZE}")
    flash = bytearray(b"\xff" * end)
    for address, piece in pieces:
        flash[address : address + len(piece)] = piece
    return bytes(flash)


def _hex(path: Path, data: bytes) -> list[tuple[int, bytes]]:
    """Records of Intel HEX: 00 data, 01 end, 02 and 04 address extensions, 03 and 05 start addresses."""
    pieces: list[tuple[int, bytes]] = []
    base = 0
    for number, line in enumerate(data.split(), 1):
        try:
            record = bytes.fromhex(line[1:].decode("ascii"))
            good = line[:1] == b":" and len(record) == record[0] + 5 and sum(record) & 0xFF == 0
        except (ValueError, IndexError):
            good = False
        if not good:
            raise UsageError(f"{path}, line {number}: no record of an Intel HEX file")
        kind, body = record[3], record[4:-1]
        if kind == 1:
            return pieces
        if kind in (2, 4):
            base = int.from_bytes(body, "big") << (4 if kind == 2 else 16)
        elif kind == 0:
            pieces.append((base + int.from_bytes(record[1:3], "big"), body))
    raise UsageError(f"{path}: no end record; the file is cut off")


def _elf(path: Path, data: bytes) -> list[tuple[int, bytes]]:
    """Loadable segments at their physical addresses below 0x800000, where data memory begins; 32 bit, little end."""
    try:
        if data[4:6] != b"\x01\x01":
            raise ValueError
        start, size, count = struct.unpack_from("<I10xHH", data, 28)
        headers = [struct.unpack_from("<8I", data, start + i * size) for i in range(count)]
    except (ValueError, struct.error):
        raise UsageError(f"{path}: no 32-bit little-endian ELF file") from None
    return [(h[3], data[h[1] : h[1] + h[4]]) for h in headers if h[0] == 1 and h[4] and h[3] < 0x800000]
