"""The serial line between a simulated board and the host: UART timing at both ends, the cable between."""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable, Sequence

from benchctl.benchfile import SerialSpec
from benchctl.errors import PortLost, Stopped
from benchctl.parts.agenda import Agenda
from benchctl.parts.allowance import Allowance
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
        #: hears what goes over the line, for the harm log
        self.heard: Allowance | None = None
        self._agenda = agenda
        self._chance = chance
        self._cable = SerialLine(spec, agenda, chance, self._reaches_host, self._reaches_board)
        self._ready = ready
        self._urgent = urgent
        self._closed = self._shut = False
        self._to_board_free = 0.0
        self._to_host_free = 0.0
        self._under_way: deque[tuple[float, bytes]] = deque()  # what goes out of the board, and from when on
        self._life = 0  # bytes of an earlier life of the board are not sent any more
        self._waiting = bytearray()

    # ------------------------------------------------------------------ the host's end

    def write(self, data: bytes) -> None:
        """Queue bytes towards the board. Raises PortLost, Stopped once `shut`."""
        self._refuse_if_gone()
        if self._shut:
            raise Stopped("the run has been stopped: nothing but stops is sent any more")
        self._put(data, max(self._agenda.now + HOST_DELAY, self._to_board_free))

    def urgent(self, data: bytes) -> bool:
        """From any thread: on the line at the next step of the simulation, ahead of what is queued. Raises PortLost."""
        self._refuse_if_gone()
        self._urgent(self, data)
        return True

    def shut(self) -> None:
        """From any thread: what is queued, and what would be, does not leave any more."""
        self._shut = True

    def put_first(self, data: bytes) -> None:
        """On the line now, whatever else is queued; nothing happens when the port is gone."""
        if self.plugged:
            self._put(data, self._agenda.now, urgent=True)

    def _put(self, data: bytes, time: float, *, urgent: bool = False) -> None:
        byte = 10.0 / self.baud
        for piece in _pieces(data):
            time += byte * len(piece)
            self._agenda.at(time, self._sent_by_host, piece, urgent)
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

    def set_baud(self, baud: int) -> None:
        """Both ends of the modelled line run at one speed."""

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
        start = max(self._agenda.now, self._to_host_free)
        self._to_host_free = start + len(data) * 10.0 / self.board_baud
        self._under_way.append((start, data))
        self._agenda.at(self._to_host_free, self._sent_by_board, data, self._life)

    def restart(self) -> None:
        """The board has restarted: its rings are empty, and the frame that was going out is cut off."""
        now = self._agenda.now
        if self._under_way:
            start, data = self._under_way[0]
            self._sent_by_board(data[: max(0, int((now - start) * self.board_baud / 10.0))], self._life)
        self._under_way.clear()
        self._life += 1
        self._to_host_free = now

    # ------------------------------------------------------------------ under way

    def _sent_by_host(self, data: bytes, urgent: bool) -> None:
        if self.plugged and (urgent or not self._shut):
            if self.baud != self.board_baud:
                data = self._chance.randbytes(max(1, len(data) * self.board_baud // self.baud))
            self._cable.from_host(data, self._agenda.now)

    def _sent_by_board(self, data: bytes, life: int) -> None:
        if life != self._life:
            return
        self._under_way.popleft()
        if data and self.plugged:
            if self.baud != self.board_baud:
                data = self._chance.randbytes(max(1, len(data) * self.baud // self.board_baud))
            if self.heard is not None:
                self.heard.from_board(data, self._agenda.now)
            self._cable.from_board(data, self._agenda.now)

    def _reaches_board(self, data: bytes, time: float) -> None:
        if self.heard is not None:
            self.heard.to_board(data, time)
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
