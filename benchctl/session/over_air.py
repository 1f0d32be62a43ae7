"""A board that is reached through another one: its frames travel in radio payloads, the other board only passes on.

Each packet is a head and up to `PIECE` bytes of the very frames that a cable would carry. Packets to the far board are
acknowledged, and what it has to say comes back as payloads of the acknowledgements. Pieces are numbered in turn both
ways and repeated until the other side has them, so every byte arrives once: a request is never carried out twice.
"""

from __future__ import annotations

from benchctl.errors import NoAnswer, Refused
from benchctl.session.board import REPEATS, A, Board
from benchctl.session.boot import Identity
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.session.port import Arrivals, Clock
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.base import Request
from benchctl.wire.catalogue import Piece
from benchctl.wire.framing import DELIMITER, frame

#: bytes of frames in one packet, and the shortest packet with any: a control packet is 8 bytes long
PIECE, LEAST = 31, 9
#: between two packets: while an answer is awaited, while nothing happens, and after one that got no acknowledgement
EAGER_S, IDLE_S, LOST_S = 0.002, 0.02, 0.03
#: between two tries while the relaying board uses its transceiver for something else
BUSY_S = 0.25
#: how long after the last byte an answer is still awaited eagerly
AWAITED_S = 0.1
#: answers of the relaying board that may fail to come, one after the other, before that is said
SILENT = 4
#: packets taken in one go where bytes keep coming
_AT_ONCE = 24
#: an answer over the air may take so long: packets that get lost, the relaying board's own repeats
ANSWER_S = 1.0
#: rows that a far board can keep until they are fetched, one request's worth
ROWS_KEPT = 40


class AirLine:
    """The line to a far board, in the place of its port (`session.port.Port`).

    near: the board that relays. sent, lost: packets so far, and those of them that got no acknowledgement.
    paused: no packets go.
    """

    def __init__(self, near: Board) -> None:
        self.near = near
        self.name = f"{near.port.name}, over the air"
        self.sent = 0
        self.lost = 0
        self.begun = False
        self._out = bytearray()
        self._in = bytearray()
        self._number = 0
        self._wanted = 0
        self._silent = 0
        self._busy = False
        self._rest_s = 0.0  # after what is written next, and after what is queued
        self._busy_s = 0.0
        self._due = 0.0
        self.paused = False
        self._moved = float("-inf")
        self._closed = False

    # ------------------------------------------------------------------ the port

    def write(self, data: bytes) -> None:
        """Queue bytes; a repeat of what is still waiting to go is not queued twice."""
        if not self._out.endswith(data):
            self._out += data
        self._moved = self.near.clock.now()
        self._due = min(self._due, self._moved)
        self._busy_s, self._rest_s = self._rest_s, 0.0

    def urgent(self, data: bytes) -> bool:
        """Short frames from any thread, past everything queued, through the relaying board's own urgent way.

        A packet each: while the first is being sent, and sent anew, the relaying board refuses the others.
        """
        head = bytes((Piece.TO_BOARD | Piece.AT_ONCE,))
        packets = [head + (DELIMITER + one + DELIMITER).ljust(LEAST - 1, b"\0") for one in data.split(DELIMITER) if one]
        wire = b"".join(frame(msg.RadioSend(no_ack=0, data=packet).encode()) for packet in packets)
        return self.near.port.urgent(wire)

    def shut(self) -> None:
        """The relaying board's port sends nothing any more then."""

    def read_nowait(self) -> bytes:
        """What has come; unless some is there already, what waits at the far board is fetched first."""
        if not self._in and not self._closed:
            self.fetch()
        out = bytes(self._in)
        self._in.clear()
        return out

    def set_baud(self, baud: int) -> None:
        """The air has its own rate."""

    def reset(self) -> None:
        """Nobody is near enough to the far board's reset line."""

    def close(self) -> None:
        self._closed = True

    # ------------------------------------------------------------------ packets

    def rest(self, seconds: float) -> None:
        """Leave the far board alone for so long once what is written next has reached it."""
        self._rest_s = seconds

    def forget(self) -> None:
        """What has not gone yet is not to go any more."""
        self._out.clear()

    def due(self) -> float:
        """When the next packet should go."""
        return self._due

    def fetch(self) -> bool:
        """Packets, if they are due, as long as they bring something; whether any byte came."""
        came = False
        for _ in range(_AT_ONCE):
            if self.paused or self.near.clock.now() < self._due or not self._packet():
                break
            came = True
        return came

    def _packet(self) -> bool:
        """One packet there and its acknowledgement back; whether bytes came."""
        piece = b"" if not self.begun else bytes(self._out[:PIECE])
        head = Piece.TO_BOARD | (self._number | self._wanted << 1 if self.begun else Piece.BEGIN_ANEW)
        data = bytes((head,)) + (piece.ljust(LEAST - 1, b"\0") if piece else b"")
        answer = self._relayed(data)
        now = self.near.clock.now()
        if answer is None or not answer.ok:
            self._due = now + (BUSY_S if self._busy else LOST_S)
            return False
        if not self.begun:
            self._begin()
            came = False
        else:
            if piece:
                del self._out[: len(piece)]
                self._number ^= 1
                self._moved = now
            came = self._take(bytes(answer.data))
        if came:
            self._moved = now
        self._due = now + self._pause(now, came)
        return came

    def _pause(self, now: float, came: bool) -> float:
        if self._busy_s and not self._out:
            pause, self._busy_s = self._busy_s, 0.0
            return pause
        if came or self._out:
            return 0.0
        return EAGER_S if now - self._moved < AWAITED_S else IDLE_S

    def _relayed(self, data: bytes) -> msg.RadioSendAnswer | None:
        """The relaying board's answer; None where it has none, or its transceiver is otherwise engaged."""
        self._busy = False
        try:
            answer = self.near.ask(msg.RadioSend(no_ack=0, data=data))
        except Refused:
            self._silent, self._busy = 0, True
            return None
        except NoAnswer:
            self._silent += 1
            if self._silent >= SILENT:
                self._silent = 0
                raise
            return None
        self._silent = 0
        self.sent += 1
        self.lost += not answer.ok
        return answer

    def _begin(self) -> None:
        """The far board has been told to count from 0; what came back with that was of an earlier count."""
        self.begun = True
        self._number = self._wanted = 0

    def _take(self, data: bytes) -> bool:
        if not data or data[0] & 0xF0 != Piece.FROM_BOARD:
            return False
        if data[0] & Piece.BEGIN_ANEW:  # it has restarted: what was under way is lost
            self.begun = False
            self._out.clear()
            return False
        if data[0] & Piece.NUMBER != self._wanted:
            return False
        self._wanted ^= 1
        self._in += data[1:]
        return len(data) > 1


class AirClock:
    """Bench time for a far board: while somebody waits for its bytes, packets go."""

    def __init__(self, line: AirLine) -> None:
        self._line = line
        self._clock: Clock = line.near.clock
        self._arrivals = Arrivals()

    def now(self) -> float:
        return self._clock.now()

    def wait(self, seconds: float) -> None:
        self._clock.wait(seconds)

    def wait_input(self, deadline: float) -> bool:
        """See `session.port.Clock`; what counts are bytes of the far board."""
        while True:
            if self._line.fetch():
                self._arrivals.note()
            now = self.now()
            if self._arrivals.fresh or now >= deadline:
                return self._arrivals.take(now, deadline)
            self._clock.wait(max(0.0, min(self._line.due(), deadline) - now))


class FarBoard(Board):
    """A board behind an `AirLine`. line: with its count of packets lost."""

    def __init__(self, role: Role, near: Board, wiring: OwnerWiring | None = None) -> None:
        self.line = AirLine(near)
        super().__init__(role, self.line, AirClock(self.line), wiring)
        self.near = near
        self.via = str(near.role)
        self.rows_kept = ROWS_KEPT
        self.silence_hint = (
            "is it powered, is the probe firmware on it, and was it told over a cable to listen (setting air_reach 1)?"
        )
        self._busy_s = 0.0

    def open(self, quiet_s: float = 0.0) -> Identity:
        """Both boards: the one that relays has to be up first."""
        if self.near.identity is None:
            self.near.open()
        return super().open(quiet_s)

    def measuring(self, seconds: float) -> None:
        """The next request keeps the board busy: it is left alone meanwhile, and what it says is fetched after."""
        self._busy_s = seconds
        self.line.rest(seconds)

    def packets(self) -> tuple[int, int]:
        return self.line.sent, self.line.lost

    def pause(self, on: bool) -> None:
        self.line.paused = on

    def ask(self, request: Request[A], *, timeout: float = ANSWER_S, repeats: int = REPEATS) -> A:
        """As `Board.ask`, with the patience that the way over the air needs."""
        busy, self._busy_s = self._busy_s, 0.0
        try:
            return super().ask(request, timeout=max(timeout, ANSWER_S) + busy, repeats=repeats)
        except BaseException:
            self.line.forget()
            raise
