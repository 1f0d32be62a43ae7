"""The serial line between a simulated board and the host: UART timing at both ends, the cable between."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

from benchctl.benchfile import SerialSpec
from benchctl.errors import PortLost
from benchctl.parts.agenda import Agenda
from benchctl.parts.serial_line import SerialLine
from benchctl.sim.timing import TX_RING
from benchctl.wire.framing import DELIMITER

#: host to UART: a request finds the USB pipe idle; no source
HOST_DELAY = 125e-6


class SimPort:
    """The host's end (`session.port.Port`) and the board's end (`send`, `room`) of one line.

    on_bytes: told (bytes, time of the last one's stop bit) at the board. on_reset: the DTR line was pulsed.
    baud is the host's, board_baud the board's; when they differ both sides see rubbish.
    """

    def __init__(
        self, name: str, spec: SerialSpec, baud: int, agenda: Agenda, chance: random.Random,
        ready: Callable[[], object], urgent: Callable[[SimPort, bytes], object],
    ) -> None:  # fmt: skip
        self.name = name
        self.baud = self.board_baud = baud
        self.on_bytes: Callable[[bytes, float], object] = lambda data, time: None
        self.on_reset: Callable[[], object] = lambda: None
        self.plugged = True
        self._agenda = agenda
        self._chance = chance
        self._cable = SerialLine(spec, agenda, chance, self._reaches_host, self._reaches_board)
        self._ready = ready
        self._urgent = urgent
        self._closed = False
        self._to_board_free = 0.0
        self._to_host_free = 0.0
        self._life = 0  # bytes of an earlier life of the board are not sent any more
        self._waiting = bytearray()

    # ------------------------------------------------------------------ the host's end

    def write(self, data: bytes) -> None:
        """Queue bytes towards the board. Raises PortLost."""
        self._refuse_if_gone()
        self._put(data, max(self._agenda.now + HOST_DELAY, self._to_board_free))

    def urgent(self, data: bytes) -> None:
        """From any thread: on the line at the next step of the simulation, ahead of what is queued. Raises PortLost."""
        self._refuse_if_gone()
        self._urgent(self, data)

    def put_first(self, data: bytes) -> None:
        """On the line now, whatever else is queued; nothing happens when the port is gone."""
        if self.plugged:
            self._put(data, self._agenda.now)

    def _put(self, data: bytes, time: float) -> None:
        byte = 10.0 / self.baud
        for piece in _pieces(data):
            time += byte * len(piece)
            self._agenda.at(time, self._sent_by_host, piece)
        self._to_board_free = max(time, self._to_board_free)

    def read_nowait(self) -> bytes:
        """All bytes that have come in. Raises PortLost when the port is gone and everything has been read."""
        if not self._waiting:
            self._refuse_if_gone()
            return b""
        out = bytes(self._waiting)
        self._waiting.clear()
        return out

    def reset(self) -> None:
        """Pulse the board's reset line."""
        if self.plugged and not self._closed:
            self.on_reset()

    def close(self) -> None:
        self._closed = True

    def plug(self, plugged: bool) -> None:
        """Pull the cable, or put it back."""
        self.plugged = plugged
        self._ready()

    def _refuse_if_gone(self) -> None:
        if self._closed or not self.plugged:
            raise PortLost(f"{self.name}: the port is gone")

    # ------------------------------------------------------------------ the board's end

    def room(self) -> int:
        """Free bytes in the board's transmit ring."""
        left = max(0.0, self._to_host_free - self._agenda.now) * self.board_baud / 10.0
        return TX_RING - math.ceil(left - 1e-6)

    def sent_in(self) -> float:
        """Seconds until the last queued bit is out."""
        return max(0.0, self._to_host_free - self._agenda.now)

    def send(self, data: bytes) -> None:
        """Queue bytes towards the host behind what is queued."""
        self._to_host_free = max(self._agenda.now, self._to_host_free) + len(data) * 10.0 / self.board_baud
        self._agenda.at(self._to_host_free, self._sent_by_board, data, self._life)

    def restart(self) -> None:
        """The board has restarted: its rings are empty."""
        self._life += 1
        self._to_host_free = self._agenda.now

    # ------------------------------------------------------------------ under way

    def _sent_by_host(self, data: bytes) -> None:
        if self.plugged:
            if self.baud != self.board_baud:
                data = self._chance.randbytes(max(1, len(data) * self.board_baud // self.baud))
            self._cable.from_host(data, self._agenda.now)

    def _sent_by_board(self, data: bytes, life: int) -> None:
        if life == self._life and self.plugged:
            if self.baud != self.board_baud:
                data = self._chance.randbytes(max(1, len(data) * self.baud // self.board_baud))
            self._cable.from_board(data, self._agenda.now)

    def _reaches_board(self, data: bytes, time: float) -> None:
        self.on_bytes(data, time)

    def _reaches_host(self, data: bytes, time: float) -> None:
        if self.plugged:
            self._waiting += data
            self._ready()


def _pieces(data: bytes) -> Sequence[bytes]:
    """Cut after each delimiter that ends a frame, so that every frame has its own arrival time."""
    if data.count(DELIMITER) <= 2:
        return (data,)
    out, start = [], 0
    while start < len(data):
        end = data.find(DELIMITER, start + 1)
        end = len(data) if end < 0 else end + 1
        out.append(data[start:end])
        start = end
    return out
