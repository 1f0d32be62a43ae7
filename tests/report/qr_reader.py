"""A reader of QR codes of versions 1 to 6, level M or another, byte mode: what is read is what the modules say.

Written from ISO/IEC 18004 (from memory), with no part of the library that draws the codes. No error is corrected: a
code that is drawn has none, and a wrong one must not be made right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

Modules = set[tuple[int, int]]
#: version → data codewords of each block at level M
_BLOCKS_M = {1: (16,), 2: (28,), 3: (44,), 4: (32, 32), 5: (43, 43), 6: (27, 27, 27, 27)}
#: centre of the alignment pattern that the finder patterns do not cover
_ALIGNMENT = {1: None, 2: 18, 3: 22, 4: 26, 5: 30, 6: 34}
#: x is the column, y the row
_MASKS: tuple[Callable[[int, int], bool], ...] = (
    lambda x, y: (x + y) % 2 == 0,
    lambda x, y: y % 2 == 0,
    lambda x, y: x % 3 == 0,
    lambda x, y: (x + y) % 3 == 0,
    lambda x, y: (y // 2 + x // 3) % 2 == 0,
    lambda x, y: (x * y) % 2 + (x * y) % 3 == 0,
    lambda x, y: ((x * y) % 2 + (x * y) % 3) % 2 == 0,
    lambda x, y: ((x + y) % 2 + (x * y) % 3) % 2 == 0,
)


def format_of(dark: Modules) -> tuple[int, int]:
    """Level (0 is M) and mask, out of the fifteen bits round the first finder pattern."""
    places = [*((x, 8) for x in (0, 1, 2, 3, 4, 5, 7, 8)), *((8, y) for y in (7, 5, 4, 3, 2, 1, 0))]
    bits = 0
    for place in places:
        bits = bits << 1 | (place in dark)
    found = (bits ^ 0x5412) >> 10
    return found >> 3, found & 7


def _reserved(size: int, version: int) -> Modules:
    out = {(x, y) for x in range(9) for y in range(9)}
    out |= {(x, y) for x in range(size - 8, size) for y in range(9)}
    out |= {(x, y) for x in range(9) for y in range(size - 8, size)}
    out |= {(6, n) for n in range(size)} | {(n, 6) for n in range(size)}
    middle = _ALIGNMENT[version]
    if middle is not None:
        out |= {(middle + dx, middle + dy) for dx in range(-2, 3) for dy in range(-2, 3)}
    return out


def _path(size: int) -> Iterator[tuple[int, int]]:
    """Pairs of columns from the right, upwards and downwards in turn; the timing column is left out."""
    upwards = True
    for right in (x - (x <= 6) for x in range(size - 1, 0, -2)):
        for step in range(size):
            y = size - 1 - step if upwards else step
            yield from ((right, y), (right - 1, y))
        upwards = not upwards


def read(size: int, dark: Modules) -> bytes:
    """The bytes of a code of level M in byte mode. Raises ValueError for any other."""
    version = (size - 17) // 4
    level, mask = format_of(dark)
    if level != 0:
        raise ValueError(f"level {level}, not M")
    reserved, turned = _reserved(size, version), _MASKS[mask]
    bits = [((x, y) in dark) != turned(x, y) for x, y in _path(size) if (x, y) not in reserved]
    words = [int("".join("01"[b] for b in bits[i : i + 8]), 2) for i in range(0, len(bits) - 7, 8)]
    blocks = _BLOCKS_M[version]
    count = len(blocks)
    data = bytes(words[i * count + b] for b in range(count) for i in range(blocks[0]))
    whole = int.from_bytes(data, "big")
    stream = f"{whole:0{8 * len(data)}b}"
    if stream[:4] != "0100":
        raise ValueError(f"mode {stream[:4]}, not bytes")
    length = int(stream[4:12], 2)
    return bytes(int(stream[12 + 8 * i : 20 + 8 * i], 2) for i in range(length))
