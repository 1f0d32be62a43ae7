"""What a board's transceiver hears: control packets, which a live motor needs with the radio as a condition, and requests."""

from __future__ import annotations

import functools
import weakref
from dataclasses import dataclass
from typing import Any

from watched_air import ByAir

from benchctl.parts.agenda import Agenda
from benchctl.parts.allowance import Allowance
from benchctl.parts.nrf24_link import NEW, Endpoint
from benchctl.parts.world import World

SIZE, PAIR_AT = 8, 3
#: from the packet's end to its effect, and back from the cut to the pulse
WAY_S = 0.008


@dataclass
class Heard:
    """Of one board: when the last packet counted, by its pair and its number that advances."""

    allowed: Allowance
    last: float = -1.0
    number: int | None = None

    def packet(self, payload: bytes, time: float) -> None:
        if len(payload) != SIZE or payload[PAIR_AT] != self.allowed.number("pair_number"):
            return
        number = int.from_bytes(payload[:2], "little")
        silence = self.allowed.number("silence_ms") * 1e-3
        ahead = self.number is None or (number - self.number) % 0x10000 < 0x8000
        if ahead or time - self.last >= silence - WAY_S:
            self.number, self.last = (number + 1) % 0x10000, time

    def missing(self, time: float) -> str:
        """Why a pulse that ends at `time` may not turn the motor, "" when it may."""
        arming = self.allowed.armings[-1] if self.allowed.armings else None
        if arming is None or not arming.radio:
            return ""
        frame = self.allowed.number("frame_us") * 1e-6
        since = time - max(self.last, arming.time)
        if since > self.allowed.number("silence_ms") * 1e-3 + frame + WAY_S:
            return f"with the radio as a condition, and no control packet for {since * 1e3:.0f} ms"
        return ""


#: with the clock of its world
_HEARD: weakref.WeakKeyDictionary[Endpoint, tuple[Heard, ByAir, Agenda]] = weakref.WeakKeyDictionary()


def follow(world: World) -> tuple[dict[Any, Heard], dict[Any, ByAir]]:
    """Of each board of the world: control packets, and what is asked over the air."""
    packets, asked = {}, {}
    for role, board in world.boards.items():
        allowed = world.allowances[role]
        packets[role], asked[role] = Heard(allowed), ByAir(allowed)
        _HEARD[board.radio] = packets[role], asked[role], world.agenda
    return packets, asked


def install() -> None:
    """Listen at every transceiver."""
    accept = Endpoint.accept
    if hasattr(accept, "__wrapped__"):
        return

    @functools.wraps(accept)
    def accepted(self: Endpoint, frame: Any, pipe: Any) -> int:
        result = accept(self, frame, pipe)
        if result & NEW and self in _HEARD:
            heard, asked, agenda = _HEARD[self]
            heard.packet(bytes(frame.payload), agenda.now)
            asked.packet(bytes(frame.payload), agenda.now)
        return result

    Endpoint.accept = accepted  # type: ignore[method-assign]
