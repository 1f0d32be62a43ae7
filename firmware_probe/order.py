"""Where each function lies in the images: near those that call it. A call within 4 KB takes two bytes, else four.

    python order.py ELF > order.txt      a better order for the functions of a built image (`make order`)
    python order.py script < order.txt   the linker's own script with that order in it

The order is found by moving pieces of it at random, ever fewer for the worse (simulated annealing), from a fixed seed.
"""

from __future__ import annotations

import bisect
import math
import random
import re
import subprocess
import sys

#: words reach 2048 either way (AVR instruction set manual, RCALL and RJMP); something less, since code shrinks around
REACH = 4090
#: up to here lie the vectors, tables and the start-up, which stay
FIRST = 0x300
STEPS = 400_000
#: of functions that come from libraries
SECTIONS = {"main": ".text.startup.main", "__prologue_saves__": ".text.libgcc.prologue", "__mulsi3": ".text.libgcc.mul",
            "__epilogue_restores__": ".text.libgcc.prologue", "__udivmodsi4": ".text.libgcc.div"}  # fmt: skip


def run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def functions(elf: str) -> list[tuple[int, str]]:
    """Start and name of every function, by address."""
    rows = (line.split() for line in run("avr-nm", "-n", elf).splitlines())
    first: dict[int, str] = {}
    for row in rows:
        if len(row) == 3 and row[1] in "tTW" and int(row[0], 16) < 0x800000:
            first.setdefault(int(row[0], 16), row[2])
    return sorted(first.items())


def better(elf: str) -> list[str]:
    """Names of the functions in an order with fewer far calls."""
    import numpy as np

    found = functions(elf)
    starts = [at for at, _ in found]
    code = run("avr-objdump", "-d", "--no-show-raw-insn", elf)
    end = max(int(m[1], 16) for m in re.finditer(r"^\s+([0-9a-f]+):", code, re.M)) + 2
    sizes = np.diff([*starts, end])
    links = []
    for m in re.finditer(r"^\s+([0-9a-f]+):\tr?(?:call|jmp)\t.*;\s*0x([0-9a-f]+)", code, re.M):
        start, to = int(m[1], 16), int(m[2], 16)
        a, b = bisect.bisect_right(starts, start) - 1, bisect.bisect_right(starts, to) - 1
        if a != b:
            links.append((a, b, (to - starts[b]) - (start - starts[a])))
    a, b, shift = (np.array(column) for column in zip(*links, strict=True))

    def far(order: list[int]) -> int:
        places = np.empty(len(order), np.int64)
        places[order] = np.cumsum(sizes[order]) - sizes[order]
        return int(np.count_nonzero(np.abs(places[b] - places[a] + shift) > REACH))

    fixed = bisect.bisect_left(starts, FIRST)
    chance = random.Random(1)
    order = list(range(len(found)))
    now = least = far(order)
    best = order
    for step in range(STEPS):
        warmth = 3.0 * (1 - step / STEPS) + 0.02
        piece = 1 if chance.random() < 0.5 else chance.randint(2, 12)
        at = chance.randrange(fixed, len(order))
        moved = order[:at] + order[at + piece :]
        to = chance.randint(fixed, len(moved))
        moved[to:to] = order[at : at + piece]
        cost = far(moved)
        if cost <= now or chance.random() < math.exp((now - cost) / warmth):
            order, now = moved, cost
            if now < least:
                best, least = order, now
    return [found[i][1] for i in best[fixed:]]


def section(name: str) -> str:
    """The pattern of the section that a function lies in, whatever the link-time optimizer adds to its name."""
    return SECTIONS.get(name, f".text.{name} .text.{name}.*")


def script(names: list[str]) -> str:
    """The linker's own script, with the functions in this order before all others."""
    own = run("avr-ld", "-m", "avr5", "--verbose").split("=" * 50)[1]
    placed = "".join(f"    *({section(name)})\n" for name in names)
    return own.replace("    *(.text)\n", placed + "    *(.text)\n", 1)


if __name__ == "__main__":
    if sys.argv[1] == "script":
        sys.stdout.write(script(sys.stdin.read().split()))
    else:
        plain = dict.fromkeys(name.split(".")[0] for name in better(sys.argv[1]))
        sys.stdout.write("\n".join(plain) + "\n")
