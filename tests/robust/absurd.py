"""A modelled pair whose answers and records are exchanged for absurd ones on their way, in right frames.

A board of ours that is otherwise healthy, so that stages get as far as their arithmetic.
"""

from __future__ import annotations

import random
from typing import Any

from helpers_outputs import PAIR
from hostile import anything, body_of, ones, zeros

from benchctl import benches
from benchctl.bench import Bench
from benchctl.wire.catalogue import BY_NAME
from benchctl.wire.framing import Deframer, frame
from benchctl.wire.messages import Malformed, decode

#: what is never changed: without it there is no board, or the stage is not reached
SPARED = {"identify_answer", "setting_read_answer", "boot"}
WAYS = {"anything": anything, "zeros": zeros, "ones": ones, "empty": None, "gone": None}


class AbsurdPort:
    """A port behind which some kinds of messages come out otherwise; everything else is the port's."""

    def __init__(self, port: Any, kinds: set[str], way: str, share: float, chance: random.Random) -> None:
        self._port, self._kinds, self._way, self._share, self._chance = port, kinds, way, share, chance
        self._deframer = Deframer()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)

    def read_nowait(self) -> bytes:
        return b"".join(self._changed(body) for body in self._deframer.feed(self._port.read_nowait()))

    def _changed(self, body: bytes) -> bytes:
        message = decode(body)
        if isinstance(message, Malformed) or message.NAME not in self._kinds or self._chance.random() >= self._share:
            return frame(body)
        kind = BY_NAME[message.NAME]
        if self._way == "gone":
            return b""
        if self._way == "empty":
            head = 3 + sum({"u8": 1, "u16": 2, "u32": 4, "i16": 2, "text16": 16, "bytes3": 3, "bytes4": 4}[f.type] for f in kind.fields)
            return frame(body[:head])
        return frame(body_of(kind, message.sequence, WAYS[self._way], self._chance))  # type: ignore[arg-type]


def absurd_bench(kinds: set[str], way: str, share: float, seed: int) -> Bench:
    """The healthy simulated pair, its outputs confirmed, with these kinds of messages changed in a share of the frames."""
    bench = benches.open_bench(PAIR, kind="sim", seed=seed)
    for role, board in bench.boards.items():
        board.port = AbsurdPort(board.port, kinds - SPARED, way, share, random.Random(f"{role} {way} {seed}"))
    return bench
