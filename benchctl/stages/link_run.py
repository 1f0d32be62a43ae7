"""One stretch of radio traffic between two boards: started, logged packet by packet, stopped."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from benchctl.analysis.clocks import ClockMap, TickExtender, relate_boards
from benchctl.analysis.timing import SETTLE_US, RadioFormat
from benchctl.errors import BoardError, PortLost
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire.catalogue import LinkMode
from benchctl.wire.messages import Msg

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TICK_US = 0.5
RATES: Mapping[str, int] = {"250k": 250_000, "1M": 1_000_000, "2M": 2_000_000}
POWERS: Mapping[str, int] = {"-18": 0, "-12": 1, "-6": 2, "0": 3}
#: how often records are taken in and looked at
STEP_S = 0.1
#: a board's tick counter; packets of which the latest are shown while the traffic goes on
_TICKS, _LATEST = 0xFFFFFFFF, 400
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
        self._records = "link_sent"
        self._sent: list[tuple[int, ...]] = []
        self._got: list[tuple[int, ...]] = []
        self.totals: Msg | None = None
        self.receiver_totals: Msg | None = None

    def start(self, mode: LinkMode, count: int, interval_us: int, payload: int) -> None:
        """Receiver first, so that the first packet finds it listening."""
        other = LinkMode.ECHO if mode is LinkMode.PING else LinkMode.RECEIVE
        self._records = "link_pinged" if mode is LinkMode.PING else "link_sent"
        for kind in ("link_sent", "link_received", "link_pinged", "done"):
            self.sender.events(kind)
            self.receiver.events(kind)
        common: dict[str, Any] = {"test": self.test, "interval_us": interval_us, "payload": payload}
        self.receiver.ask("link_start", mode=other, count=0, **common)
        self.ctx.wait(0.002)
        self.sender.ask("link_start", mode=mode, count=count, **common)

    def poll(self) -> None:
        for event in self.sender.events(self._records):
            self._sent += event.rows
        for event in self.receiver.events("link_received"):
            self._got += event.rows

    def run(self, expected_s: float, enough: Callable[[], bool], label: str) -> None:
        """Take records in until `enough()` or the sender's done event or well over the expected time."""
        began, limit = self.ctx.now(), 2.0 * expected_s + 2.0
        while self.ctx.now() - began < limit:
            self.ctx.wait(STEP_S)
            self.poll()
            self.ctx.progress(min(self.ctx.now() - began, expected_s), expected_s, label)
            if enough() or self.sender.is_done("link_start"):
                break
        self.ctx.wait(LOST_AFTER_S)

    def stop(self) -> None:
        """Sender first; the last records are flushed by the boards before they answer."""
        self.totals = self.sender.ask("link_stop", timeout=1.0)
        self.receiver_totals = self.receiver.ask("link_stop", timeout=1.0)
        self.ctx.wait(0.05)
        self.poll()

    def stop_quietly(self) -> None:
        """For clean-up after trouble: what cannot be said is left."""
        for board in (self.sender, self.receiver):
            try:
                board.clear_restart()
                board.ask("link_stop", timeout=0.5, repeats=0)
            except (BoardError, PortLost):
                continue

    # ------------------------------------------------------------------ what came of it

    @property
    def sent_so_far(self) -> int:
        return len(self._sent)

    def loss_so_far(self) -> Bools:
        """Lost flags of the packets whose fate is settled, in order: all before the newest one received."""
        if not self._sent:
            return np.zeros(0, np.bool_)
        numbers = _unwrapped([r[0] for r in self._sent])
        got = np.array(sorted({r[0] for r in self._got}), np.int64)
        settled = len(numbers)
        if self._got:
            newest = np.nonzero((numbers & 0xFFFF) == self._got[-1][0])[0]
            settled = int(newest[-1]) + 1 if len(newest) else 0
        out: Bools = ~np.isin(numbers[:settled] & 0xFFFF, got)
        return out

    def trips_so_far(self) -> list[tuple[float, float]]:
        """(s since the first, µs there and back) of the latest pings that came back, by the sender's own clock."""
        first = self._sent[0][1] if self._sent else 0
        rows = [r for r in self._sent[-_LATEST:] if r[5] & 0x10]
        return [(_seconds(r[1], first), (((r[2] - r[1]) & _TICKS) - r[4]) * TICK_US) for r in rows]

    def acknowledged_so_far(self) -> list[tuple[float, float]]:
        """(s since the first, µs to the acknowledgement) of the latest packets that were acknowledged."""
        first = self._sent[0][1] if self._sent else 0
        rows = [r for r in self._sent[-_LATEST:] if r[4] & 0x10]
        return [(_seconds(r[1], first), ((r[3] - r[1]) & _TICKS) * TICK_US) for r in rows]

    def packets(self) -> Packets:
        """All packets of the sender's log, matched with the receiver's by number (both 16 bits, unwrapped)."""
        if not self._sent:
            return Packets()
        table = np.array(self._sent, np.int64)
        number = _unwrapped(table[:, 0])
        queued = self.clocks.us(self.sender.role, table[:, 1])
        done = queued + ((table[:, 3] - table[:, 1]) & 0xFFFFFFFF) * TICK_US
        received = np.full(len(number), np.nan)
        if self._got:
            got = np.array(self._got, np.int64)
            arrival = self.clocks.us(self.receiver.role, got[:, 1])
            got_number = _aligned(got[:, 0], number)
            order = {int(n): i for i, n in enumerate(number)}
            for n, t in zip(got_number, arrival, strict=True):
                at = order.get(int(n))
                if at is not None and np.isnan(received[at]):
                    received[at] = t
        result = table[:, 4]
        air = table[:, 2].astype(np.float64) * TICK_US
        return Packets(number, queued, air, done, result & 0x0F, (result & 0x10) != 0, received)

    def pings(self) -> tuple[Floats, Floats, Floats, Floats, int]:
        """Echoed pings as (t1, t2, t3, t4) in µs, t1 and t4 of the sender's clock; and how many got no echo."""
        table = np.array(self._sent, np.int64).reshape(-1, 6)
        good = table[(table[:, 5] & 0x10) != 0]
        t1 = self.clocks.us(self.sender.role, good[:, 1])
        away = ((good[:, 2] - good[:, 1]) & 0xFFFFFFFF) * TICK_US
        if np.any(np.diff(t1) <= 0) or np.any(away < good[:, 4] * TICK_US) or np.any(away > LOST_AFTER_S * 1e6):
            raise BoardError(
                f"the {self.sender.role} board's record of pings cannot be: not in order of time, or echoes that were "
                f"back before they were sent or long after"
            )
        t4 = t1 + away
        t2 = self.clocks.us(self.receiver.role, good[:, 3])
        return t1, t2, t2 + good[:, 4] * TICK_US, t4, len(table) - len(good)


def _seconds(ticks: int, first: int) -> float:
    return ((ticks - first) & _TICKS) * TICK_US * 1e-6


def relate(t1: Floats, t2: Floats, t3: Floats, t4: Floats) -> ClockMap:
    """The receiver's clock against the sender's from pings: CE to IRQ takes the same known time both ways."""
    return relate_boards(t1, t2, t3, t4)


def one_way_constant_us(radio: Radio) -> float:
    """CE raised to the other side's interrupt: settling and air time."""
    return SETTLE_US + radio.format.air_us


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
