"""Records that share a frame: collected until it is full or they have waited long enough."""

from __future__ import annotations

import struct
from collections import deque

from benchctl.parts.agenda import Entry
from benchctl.sim.probe import Probe
from benchctl.sim.timing import FLUSH
from benchctl.wire.catalogue import BY_NAME
from benchctl.wire.fields import struct_code
from benchctl.wire.framing import MAX_BODY

#: records wait in the board's RAM while the line is busy; beyond so many frames of them they are dropped
WAITING_FRAMES = 4
#: CRC, coding and two delimiters around a body
_AROUND = 5


class Rows:
    """A stream of one kind of event with a record tail. `dropped` counts records that found no room."""

    def __init__(self, probe: Probe, kind: str, wait: float = FLUSH) -> None:
        message = BY_NAME[kind]
        self.pack = struct.Struct(struct_code(message.tail)).pack
        self.dropped = 0
        self._probe = probe
        self._head = struct.Struct("<BH" + struct_code(message.fields)[1:])
        self._number = message.number
        size = struct.calcsize(struct_code(message.tail))
        self.capacity = (MAX_BODY - self._head.size) // size
        self._wait = wait
        self._fields: tuple[int, ...] = ()
        self._rows: list[bytes] = []
        self._full: deque[tuple[tuple[int, ...], bytes, int]] = deque()
        self._timer: Entry | None = None
        self._draining = False

    @property
    def empty(self) -> bool:
        return not self._rows

    def begin(self, *fields: int) -> None:
        """The event's own fields, for the records from now on."""
        self.flush()
        self._fields = fields

    def add(self, row: bytes) -> None:
        """A packed record."""
        rows = self._rows
        rows.append(row)
        if len(rows) >= self.capacity:
            self.flush()
        elif self._timer is None:
            self._timer = self._probe.later(self._wait, self._timed)

    def _timed(self) -> None:
        self._timer = None
        self.flush()

    def flush(self) -> None:
        """Send what has been collected."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if not self._rows:
            return
        data, count = b"".join(self._rows), len(self._rows)
        self._rows.clear()
        if len(self._full) >= WAITING_FRAMES:
            self.dropped += count
            return
        self._full.append((self._fields, data, count))
        if not self._draining:
            self._drain()

    def _drain(self) -> None:
        self._draining = False
        probe = self._probe
        port = probe.chip.port
        while self._full:
            fields, data, _ = self._full[0]
            missing = self._head.size + len(data) + _AROUND - port.room()
            if missing > 0:
                self._draining = True
                probe.later(missing * 10.0 / port.board_baud, self._drain)
                return
            self._full.popleft()
            probe.send_event(self._head.pack(self._number, probe.next_event(), *fields) + data)
