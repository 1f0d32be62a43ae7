"""One stretch of radio traffic between two boards: started, logged packet by packet, stopped."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchctl.analysis.clocks import ClockMap, TickExtender, relate_boards
from benchctl.analysis.timing import RadioFormat
from benchctl.errors import BoardError, PortLost
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Function, LinkMode

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

RATES: Mapping[str, int] = {"250k": 250_000, "1M": 1_000_000, "2M": 2_000_000}
POWERS: Mapping[str, int] = {"-18": 0, "-12": 1, "-6": 2, "0": 3}
#: how often records are taken in and looked at
STEP_S = 0.1
#: a board's tick counter; packets of which the latest are shown while the traffic goes on
_TICKS = 0xFFFFFFFF
#: events whose rows the live plot shows, of some seven rows each
_LATEST = 60
#: bit of a row's result: acknowledged, or the echo came
_ARRIVED = 0x10
#: a packet not in the receiver's log this long after it was sent is lost; longer than 15 retries at 250 kbps (44 ms)
LOST_AFTER_S = 0.1


@dataclass(frozen=True, slots=True)
class Radio:
    """How the air is used in a stage."""

    rate: str
    channel: int
    power: str
    payload: int

    @property
    def format(self) -> RadioFormat:
        return RadioFormat(RATES[self.rate], self.payload)


@dataclass(slots=True)
class Packets:
    """Sent packets in order and what became of them. Times in µs of each board's own clock, NaN where none.

    number: packet numbers unwrapped. queued, air, done: of the sender. retries; delivered: acknowledged (or
    sent, where no acknowledgement is asked for). received: of the receiver.
    """

    number: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    queued: Floats = field(default_factory=lambda: np.zeros(0))
    air: Floats = field(default_factory=lambda: np.zeros(0))
    done: Floats = field(default_factory=lambda: np.zeros(0))
    retries: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    delivered: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    received: Floats = field(default_factory=lambda: np.zeros(0))

    @property
    def lost(self) -> Bools:
        """Packets that the receiver never logged."""
        return np.isnan(self.received)

    def __len__(self) -> int:
        return len(self.number)


#: echoed pings that a relation of two clocks needs at least
FEWEST_PINGS = 20
#: 2 ms: several turns of the busiest loop
_UNHURRIED_TICKS = 4000


@dataclass(frozen=True, slots=True)
class Pings:
    """Echoed pings, µs, one each, and how many got no echo.

    t1, t4: sent and back by the sender's clock. t2, t3: there and answered by the receiver's. late_us: the stamps
    of t2 and t4 are so much late at most, where a transceiver's IRQ is not wired.
    """

    t1: Floats
    t2: Floats
    t3: Floats
    t4: Floats
    lost: int
    late_us: float = 0.0

    def __len__(self) -> int:
        return len(self.t1)

    @property
    def total(self) -> int:
        """Echoed and lost."""
        return len(self) + self.lost


def joined(stretches: Sequence[Pings]) -> Pings:
    """The pings of several stretches as of one."""
    t1, t2, t3, t4 = np.concatenate([np.empty((4, 0)), *((p.t1, p.t2, p.t3, p.t4) for p in stretches)], axis=1)
    return Pings(t1, t2, t3, t4, sum(p.lost for p in stretches), max((p.late_us for p in stretches), default=0.0))


class Clocks:
    """Each board's 32-bit tick counter as one growing time in µs, over a whole stage."""

    def __init__(self) -> None:
        self._extend: dict[Role, TickExtender] = {}

    def us(self, role: Role, ticks: npt.ArrayLike) -> Floats:
        whole = self._extend.setdefault(role, TickExtender()).extend_many(ticks)
        return whole.astype(np.float64) * TICK_US


class LinkRun:
    """Traffic from `sender` to `receiver`; `poll` takes records in, `packets()` gives what is known."""

    def __init__(self, ctx: Context, sender: Role, receiver: Role, clocks: Clocks, test: int) -> None:
        self.ctx = ctx
        self.sender, self.receiver = ctx.board(sender), ctx.board(receiver)
        self.clocks = clocks
        self.test = test & 0xFF
        #: packets that the sender has told of
        self.sent_so_far = 0
        self._sent: list[msg.LinkSent] = []
        self._pinged: list[msg.LinkPinged] = []
        self._got: list[msg.LinkReceived] = []
        self.totals: msg.LinkStopAnswer | None = None
        self.receiver_totals: msg.LinkStopAnswer | None = None

    def start(self, mode: LinkMode, count: int, interval_us: int, payload: int) -> None:
        """Receiver first, so that the first packet finds it listening."""
        other = LinkMode.ECHO if mode is LinkMode.PING else LinkMode.RECEIVE
        for board in (self.sender, self.receiver):
            board.drop_events(msg.LinkSent, msg.LinkReceived, msg.LinkPinged, msg.Done)
        listen = msg.LinkStart(mode=other, count=0, test=self.test, interval_us=interval_us, payload=payload)
        if mode is LinkMode.PING:
            self._leave_time()
        self.receiver.ask(listen)
        self.ctx.wait(0.002)
        self.sender.ask(msg.LinkStart(mode=mode, count=count, test=self.test, interval_us=interval_us, payload=payload))

    def _leave_time(self) -> None:
        """A board without an IRQ line finds later that its ping is out, and listens later: the echo waits for it."""
        boards = (self.sender, self.receiver)
        if any(board.read_pin(Function.RADIO_IRQ) == NO_PIN for board in boards):
            for board in boards:
                board.write_setting("turnaround_ticks", _UNHURRIED_TICKS)

    def poll(self) -> None:
        sent = [e for e in self.sender.events(msg.LinkSent) if e.row_count]
        pinged = [e for e in self.sender.events(msg.LinkPinged) if e.row_count]
        self.sent_so_far += sum(e.row_count for e in (*sent, *pinged))
        self._sent += sent
        self._pinged += pinged
        self._got += self.receiver.events(msg.LinkReceived)

    def run(self, expected_s: float, enough: Callable[[], bool], label: str) -> None:
        """Take records in until `enough()` or the sender's done event or well over the expected time."""
        began, limit = self.ctx.now(), 2.0 * expected_s + 2.0
        while self.ctx.now() - began < limit:
            self.ctx.wait(STEP_S)
            self.poll()
            self.ctx.progress(min(self.ctx.now() - began, expected_s), expected_s, label)
            if enough() or self.sender.is_done(msg.LinkStart):
                break
        self.ctx.wait(LOST_AFTER_S)

    def stop(self) -> None:
        """Sender first; the last records are flushed by the boards before they answer."""
        self.totals = self.sender.ask(msg.LinkStop(), timeout=1.0)
        self.receiver_totals = self.receiver.ask(msg.LinkStop(), timeout=1.0)
        self.ctx.wait(0.05)
        self.poll()

    def stop_quietly(self) -> None:
        """For clean-up after trouble: what cannot be said is left."""
        for board in (self.sender, self.receiver):
            try:
                board.clear_restart()
                board.ask(msg.LinkStop(), timeout=0.5, repeats=0)
            except (BoardError, PortLost):
                continue

    # ------------------------------------------------------------------ what came of it

    def loss_so_far(self) -> Bools:
        """Lost flags of the packets whose fate is settled, in order: all before the newest one received."""
        if not self._sent:
            return np.zeros(0, np.bool_)
        numbers = _unwrapped(msg.LinkSent.columns(self._sent).packet)
        got = msg.LinkReceived.columns(self._got).packet
        settled = len(numbers)
        if len(got):
            newest = np.nonzero((numbers & 0xFFFF) == got[-1])[0]
            settled = int(newest[-1]) + 1 if len(newest) else 0
        out: Bools = ~np.isin(numbers[:settled] & 0xFFFF, got)
        return out

    def trips_so_far(self) -> list[tuple[float, float]]:
        """(s since the first, µs there and back) of the latest pings that came back, by the sender's own clock."""
        rows = [r for e in self._pinged[-_LATEST:] for r in e.rows if r.result & _ARRIVED]
        first = self._pinged[0].rows[0].sent if rows else 0
        return [(_seconds(r.sent, first), (((r.back - r.sent) & _TICKS) - r.turnaround) * TICK_US) for r in rows]

    def acknowledged_so_far(self) -> list[tuple[float, float]]:
        """(s since the first, µs to the acknowledgement) of the latest packets that were acknowledged."""
        rows = [r for e in self._sent[-_LATEST:] for r in e.rows if r.result & _ARRIVED]
        first = self._sent[0].rows[0].queued if rows else 0
        return [(_seconds(r.queued, first), ((r.done - r.queued) & _TICKS) * TICK_US) for r in rows]

    def packets(self) -> Packets:
        """All packets of the sender's log, matched with the receiver's by number (both 16 bits, unwrapped)."""
        if not self._sent:
            return Packets()
        sent = msg.LinkSent.columns(self._sent)
        number = _unwrapped(sent.packet)
        queued = self.clocks.us(self.sender.role, sent.queued)
        done = queued + ((sent.done - sent.queued) & _TICKS) * TICK_US
        received = np.full(len(number), np.nan)
        got = msg.LinkReceived.columns(self._got)
        if len(got.packet):
            arrival = self.clocks.us(self.receiver.role, got.received)
            got_number = _aligned(got.packet, number)
            order = {int(n): i for i, n in enumerate(number)}
            for n, t in zip(got_number, arrival, strict=True):
                at = order.get(int(n))
                if at is not None and np.isnan(received[at]):
                    received[at] = t
        air = sent.air.astype(np.float64) * TICK_US
        return Packets(number, queued, air, done, sent.result & 0x0F, (sent.result & _ARRIVED) != 0, received)

    def pings(self) -> Pings:
        """What became of the pings. Raises BoardError when the record of them cannot be."""
        sent = msg.LinkPinged.columns(self._pinged)
        good = msg.LinkPingedRow(*(column[(sent.result & _ARRIVED) != 0] for column in sent))
        t1 = self.clocks.us(self.sender.role, good.sent)
        away = ((good.back - good.sent) & _TICKS) * TICK_US
        turnaround = good.turnaround * TICK_US
        if np.any(np.diff(t1) <= 0) or np.any(away < turnaround) or np.any(away > LOST_AFTER_S * 1e6):
            raise BoardError(
                f"the {self.sender.role} board's record of pings cannot be: not in order of time, or echoes that were "
                f"back before they were sent or long after"
            )
        t4 = t1 + away
        t2 = self.clocks.us(self.receiver.role, good.there)
        late = max((t.late for t in (self.totals, self.receiver_totals) if t is not None), default=0)
        return Pings(t1, t2, t2 + turnaround, t4, len(sent.packet) - len(good.packet), late * TICK_US)


def _seconds(ticks: int, first: int) -> float:
    return ((ticks - first) & _TICKS) * TICK_US * 1e-6


def relate(pings: Pings) -> ClockMap:
    """The receiver's clock against the sender's from pings: CE to IRQ takes the same known time both ways, but for
    what polling in place of an IRQ may make either later."""
    found = relate_boards(pings.t1, pings.t2, pings.t3, pings.t4)
    return replace(found, systematic=found.systematic + pings.late_us / 2)


def _unwrapped(numbers: npt.ArrayLike) -> Ints:
    raw = np.asarray(numbers, np.int64)
    steps = (np.diff(raw) + 0x8000) % 0x10000 - 0x8000
    out: Ints = np.concatenate((raw[:1], raw[0] + np.cumsum(steps)))
    return out


def _aligned(raw: Ints, sent: Ints) -> Ints:
    """Receiver numbers unwrapped onto the sender's range: the first is taken to belong near the sender's first."""
    unwrapped = _unwrapped(raw)
    shift = round((int(sent[0]) - int(unwrapped[0])) / 0x10000) * 0x10000
    out: Ints = unwrapped + shift
    return out
