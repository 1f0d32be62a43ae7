"""Requests that come over the air to a board without a cable, followed as they are heard; and its stops.

Pieces of frames are put together by the rule in words (`session/over_air.py`): each has a number in turn, a repeat is none,
what is sent at once has no number. What arms, drives or decides what outputs can emit is refused there.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchctl.parts.allowance import Allowance
from benchctl.terms import Role
from benchctl.wire.catalogue import Piece
from benchctl.wire.framing import Deframer
from benchctl.wire.messages import decode
from benchctl.wire.msg import Restart, SettingsSave, SettingWrite, Stop
from benchctl.wire.stored import GUARDED_KEYS

#: a piece is longer than a control packet
LEAST = 9
TAKEN = (Stop, SettingWrite, SettingsSave, Restart)
#: whoever has heard a piece so short a time before a stop hears the stop, and within that
ALIVE_S, STOP_S = 0.1, 0.15


@dataclass
class ByAir:
    """Of one board: what it was asked over the air. last: when a piece for it came in."""

    allowed: Allowance
    last: float = -1.0
    begun: bool = False
    number: int = 0
    lives: int = 0
    deframer: Deframer = field(default_factory=Deframer)

    def packet(self, payload: bytes, time: float) -> None:
        if not self.allowed.number("air_reach") or not payload or payload[0] & 0xF0 != Piece.TO_BOARD:
            return
        if self.lives != len(self.allowed.starts):  # whatever was begun before is over
            self.lives, self.begun, self.number, self.deframer = len(self.allowed.starts), False, 0, Deframer()
        head, data = payload[0], payload[1:]
        if head & Piece.BEGIN_ANEW:
            self.begun, self.number = True, 0
        if not self.begun:
            return
        self.last = time
        if len(payload) < LEAST or (not head & Piece.AT_ONCE and head & Piece.NUMBER != self.number):
            return
        if not head & Piece.AT_ONCE:
            self.number ^= Piece.NUMBER
        for body in self.deframer.feed(data):
            message = decode(body)
            guarded = isinstance(message, SettingWrite) and message.key in GUARDED_KEYS
            if isinstance(message, TAKEN) and not guarded:
                self.allowed._asked(message, time)


@dataclass(frozen=True)
class FarStop:
    """One stop that a board without a cable was sent, and is said to have been."""

    role: Role
    at: float
    was_heard: float
    said: bool

    def wrong(self, allowed: Allowance) -> str:
        """"" where all is well, or where the board could not hear anything before either."""
        if self.at - self.was_heard > ALIVE_S or any(abs(start - self.at) < ALIVE_S for start in allowed.starts):
            return ""
        if not self.said:
            return f"the stop at {self.at:.6f} s is said not to have gone to the {self.role} board over the air"
        if any(self.at <= t <= self.at + STOP_S for t in allowed.stops):
            return ""
        return f"the stop at {self.at:.6f} s did not reach the {self.role} board over the air"
