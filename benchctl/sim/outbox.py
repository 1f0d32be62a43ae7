"""What the firmware sends: answers, numbered events, and rows of like events gathered into one frame.

As in `firmware_probe/frame.cpp`: one frame is gathered at a time, any other frame ends it, and so does its age; an
event that would not leave room for an answer is dropped whole and counted, its number used up.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

from benchctl.sim.line import SimPort
from benchctl.wire.base import Event, RowEvent
from benchctl.wire.framing import DELIMITER, MAX_BODY, MAX_FRAME, MIN_BODY, frame

#: room that an event must leave for an answer: EVENT's margin and the largest frame with its delimiters
ANSWER_ROOM = MAX_FRAME + 2
_MARGIN = ANSWER_ROOM + 6
#: a gathered frame goes out by the line when it is so old, seconds
HOLD = 15e-3
#: bytes that the ring holds while they are taken from it, and how often a full one is looked at
AIR_RING, LOOK_S = 255, 1e-3
_HEAD = struct.Struct("<BH")


class RowKind:
    """One kind of event with a row tail: `head` packs the event's own fields, `pack` a row."""

    __slots__ = ("head", "number", "pack")

    def __init__(self, kind: type[RowEvent[Any]]) -> None:
        self.number = kind.TYPE
        self.head: Callable[..., bytes] = kind.PACKING.pack
        self.pack: Callable[..., bytes] = kind.ROW_PACKING.pack


class Outbox:
    """The firmware's side of the line. `later(delay, action, *args)` is the probe's."""

    def __init__(self, port: SimPort, later: Callable[..., object]) -> None:
        self.dropped = 0
        self._port = port
        self._later = later
        self._number = 0
        self._type = 0
        self._common = b""
        self._batch = bytearray()
        self._batches = 0
        self._ring: bytearray | None = None  # what waits to be taken from here, while it does not go by the line

    def begin(self) -> None:
        """Before anything else of a life: the frame that the last one may have left unfinished ends here."""
        self._port.send(DELIMITER)

    def answer(self, body: bytes) -> None:
        """An answer; the caller has seen to it that there is room."""
        self.flush()
        self._send(body)

    def room_for_answer(self) -> bool:
        """Whether the largest answer would find room."""
        return self._room() >= ANSWER_ROOM

    def missing_time(self) -> float:
        """Seconds until an answer will have room."""
        if self._ring is not None:
            return LOOK_S
        return (ANSWER_ROOM - self._room() + 1) * 10.0 / self._port.board_baud

    def event(self, event: Event) -> bool:
        """An event without rows. False: dropped."""
        self.flush()
        body = event.encode(self._number)
        if self._room() < len(body) + _MARGIN:
            return self._drop()
        self._number = (self._number + 1) & 0xFFFF
        self._send(body)
        return True

    # ------------------------------------------------------------------ another way than by the line

    def divert(self, on: bool) -> None:
        """What is sent from now on stays here to be taken; or it goes by the line again, with what was not taken."""
        if on and self._ring is None:
            self._ring = bytearray()
        elif not on and self._ring is not None:
            self._port.send(bytes(self._ring))
            self._ring = None

    @property
    def diverted(self) -> bool:
        """Whether what is sent stays here to be taken."""
        return self._ring is not None

    def peek(self, most: int) -> bytes:
        """The oldest bytes that wait here; where none do, what is gathered will be the next."""
        if self._ring is not None and not self._ring:
            self.flush()
            return b""
        return bytes(self._ring[:most]) if self._ring is not None else b""

    def skip(self, size: int) -> None:
        """So many of them have arrived."""
        if self._ring is not None:
            del self._ring[:size]

    @property
    def sent_in(self) -> float | None:
        """Seconds until the last bit is out; None: when somebody takes what waits here."""
        if self._ring is None:
            return self._port.sent_in()
        return None if self._ring else 0.0

    def row(self, kind: RowKind, head: bytes, row: bytes, follows: bytes | None = None) -> bool:
        """A row of an event with these packed fields, together with others of its kind and fields. False: dropped.

        follows: what rows must have in common in place of the fields, where those only tell of a frame's first row.
        """
        batch = self._batch
        common = head if follows is None else follows
        joins = kind.number == self._type and common == self._common and len(batch) + len(row) <= MAX_BODY
        if not joins:
            self.flush()
        if self._room() < (len(row) if joins else MIN_BODY + len(head) + len(row)) + _MARGIN:
            self.flush()
            return self._drop()
        if not joins:
            batch += _HEAD.pack(kind.number, self._number) + head
            self._number = (self._number + 1) & 0xFFFF
            self._type, self._common = kind.number, common
            self._later(HOLD, self._aged, self._batches)
        batch += row
        if len(batch) + len(row) > MAX_BODY:
            self.flush()
        return True

    def flush(self) -> None:
        """Send what is gathered."""
        if self._type:
            body = bytes(self._batch)
            self._batch.clear()
            self._type = 0
            self._batches += 1
            self._send(body)

    def _aged(self, batch: int) -> None:
        if batch == self._batches and self._ring is None:
            self.flush()

    def _room(self) -> int:
        gathered = len(self._batch)
        free = self._port.room() if self._ring is None else AIR_RING - len(self._ring)
        return free - (gathered + 2 if gathered else 0)

    def _drop(self) -> bool:
        self._number = (self._number + 1) & 0xFFFF
        self.dropped = min(0xFFFF, self.dropped + 1)
        return False

    def _send(self, body: bytes) -> None:
        coded = frame(body)[1:]  # the chip sends no delimiter in front
        if self._ring is None:
            self._port.send(coded)
        else:
            self._ring += coded
