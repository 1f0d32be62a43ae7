"""Bench texts of tests: physics over the Mudlark pair."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

#: more text of a bench: a gauge beside the pair, joined by no jumper
GAUGE = """
[board.gauge]
[pair.board.gauge]
label = "mudlark-gauge-01"
radio.kind = "none"
pins = { stick_out = "D6", stimulus = "D3", watch1 = "D4", watch2 = "D5", watch3 = "D9", reset_watch1 = "A2", \
reset_watch2 = "A3", sense_vcc1 = "A0", sense_vcc2 = "A1", capture = "D8" }
"""


def mudlark(text: str = "", name: str = "") -> str:
    """A bench file of this physics over the Mudlark pair, which declares what its owner can see of it.

    Of boards that the text names, only those are there.
    """
    tree = tomllib.loads(text)
    roles = list(tree.get("board", {}))
    top = [f'name = "{name}"'] if name else []
    top += [f"only = {roles}".replace("'", '"')] if roles else []
    pair = ["", "[pair]", 'from = "mudlark"', *_seen(tree)]
    return "\n".join([*top, text, *pair]) + "\n"


def _seen(tree: dict[str, Any]) -> Iterator[str]:
    """What an owner sees of a board without measuring: an amplifier, a lamp, the crystal's print, the fuses."""
    for role, board in tree.get("board", {}).items():
        said = []
        if board.get("radio", {}).get("variant") == "high-power":
            said.append('radio.kind = "amplified"')
        if board.get("led", {}).get("extra_ma"):
            said.append(f"led.beside_ma = {board['led']['extra_ma']}")
        if "clock_hz" in board:
            said.append(f"clock_mhz = {board['clock_hz'] // 1_000_000}")
        if "brown_out_v" in board:
            said.append(f"supply.brown_out_v = {float(board['brown_out_v'])}")
        if said:
            yield from ["", f"[pair.board.{role}]", *said]
