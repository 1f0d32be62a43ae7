"""Requests and answers over one stream of frames: numbers, time-outs, repeats, lost events. Time is passed in.

No input or output and no waiting: the caller feeds bytes and asks what to send. Wrong answers, late answers,
duplicate answers, answers to something never asked and floods of events are counted and never raise.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from benchctl.errors import InternalError
from benchctl.wire import msg
from benchctl.wire.base import Answer, Event, Request
from benchctl.wire.framing import Deframer, FrameCounts, frame
from benchctl.wire.messages import Malformed, decode_all

#: events kept until somebody takes them; beyond, the oldest go and are counted. Of the largest kind these take
#: 110 MB; a full line brings 500 such frames a second, and stages look ten times a second
MAX_EVENTS = 20_000


@dataclass(slots=True)
class ExchangeCounts:
    """What went by: answers that fitted nothing open, bodies that are no message, events the board or we lost."""

    stray_answers: int = 0
    malformed: int = 0
    lost_events: int = 0
    overflowed: int = 0
    repeats: int = 0


@dataclass(slots=True)
class _Open:
    answer: type[Answer]
    number: int
    wire: bytes
    due: float
    tries: int
    timeout: float


class Exchange:
    """One request at a time; events aside. `feed` takes bytes in, `ask`/`poll` drive the open request."""

    def __init__(self) -> None:
        self.counts = ExchangeCounts()
        self.bytes_in = 0
        self._deframer = Deframer()
        self._number = 0
        self._open: _Open | None = None
        self._answer: Answer | None = None
        self._next_event: int | None = None
        self._events: deque[Event] = deque()

    @property
    def frames(self) -> FrameCounts:
        return self._deframer.counts

    def feed(self, data: bytes) -> None:
        """Take in received bytes."""
        self.bytes_in += len(data)
        for message in decode_all(self._deframer.feed(data)):
            if isinstance(message, Malformed):
                self.counts.malformed += 1
            elif isinstance(message, Event):
                self._take_event(message)
            elif isinstance(message, Answer):
                self._take_answer(message)
            else:
                self.counts.stray_answers += 1

    def ask(self, request: Request[Answer], now: float, timeout: float, repeats: int) -> bytes:
        """Open a request; returns the bytes to send. `repeats` counts for idempotent requests only.

        Raises InternalError for a request that cannot be sent: no board has a part in that.
        """
        self._number = self._number % 0xFFFF + 1
        try:
            wire = frame(request.encode(self._number))
        except ValueError as e:
            raise InternalError(str(e)) from e
        tries = repeats if request.IDEMPOTENT else 0
        self._open = _Open(request.ANSWER, self._number, wire, now + timeout, tries, timeout)
        self._answer = None
        return wire

    def take_answer(self) -> Answer | None:
        """The answer, once it has come; the request is then closed."""
        answer, self._answer = self._answer, None
        if answer is not None:
            self._open = None
        return answer

    def due(self) -> float:
        """When the open request has to be repeated or given up."""
        assert self._open is not None
        return self._open.due

    def repeat(self, now: float) -> bytes | None:
        """The bytes to send again, or None: no repeats are left and the request is closed."""
        assert self._open is not None
        if self._open.tries <= 0:
            self._open = None
            return None
        self._open.tries -= 1
        self._open.due = now + self._open.timeout
        self.counts.repeats += 1
        return self._open.wire

    def abandon(self) -> None:
        """Close the open request; a late answer to it will be counted as stray."""
        self._open = None
        self._answer = None

    def take_events(self) -> list[Event]:
        """All events since the last call, in order of arrival."""
        out = list(self._events)
        self._events.clear()
        return out

    def _take_answer(self, message: Answer) -> None:
        open_ = self._open
        fits = (
            open_ is not None
            and self._answer is None
            and message.sequence == open_.number
            and isinstance(message, (open_.answer, msg.Refusal))
        )
        if fits:
            self._answer = message
        else:
            self.counts.stray_answers += 1

    def _take_event(self, message: Event) -> None:
        if isinstance(message, msg.Boot):
            self._next_event = None
        if self._next_event is not None:
            self.counts.lost_events += (message.sequence - self._next_event) & 0xFFFF
        self._next_event = (message.sequence + 1) & 0xFFFF
        if len(self._events) >= MAX_EVENTS:
            self._events.popleft()
            self.counts.overflowed += 1
        self._events.append(message)
