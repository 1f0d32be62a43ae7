"""A board's clock against the host's while a stage runs, so that what it times comes out in true microseconds."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchctl.analysis.clocks import ClockMap, TickExtender, relate_host
from benchctl.errors import BoardError
from benchctl.session.board import Board
from benchctl.stages.contract import Context
from benchctl.terms import Interval
from benchctl.units import TICK_US, quantity
from benchctl.wire import msg

Floats = npt.NDArray[np.float64]

#: exchanges at either end of what is to be timed, and the mean distance between them
_FEW, _GAP_S = 24, 0.008
#: a rate from less than this between first and last exchange is no better than none: a late answer of 1 ms is 1000 ppm
_LEAST_S = 1.0
#: no oscillator that works is off by this share; 10 ms besides are for answers that come late
_ABSURD = 0.2
#: how far a ceramic resonator may be off (common practice, no source), as long as nothing better is known
UNKNOWN_PPM = 5000.0


class HostClock:
    """Clock exchanges with one board: `sample()` at both ends of a stretch, or `one()` again and again; then `rate`.

    The host is taken for true: its crystal is good to some 50 ppm, and everything is counted in its seconds.
    """

    def __init__(self, ctx: Context, board: Board) -> None:
        self.ctx = ctx
        self.board = board
        self._extend = TickExtender()
        self._sent: list[float] = []
        self._stamps: list[float] = []
        self._received: list[float] = []

    def __len__(self) -> int:
        return len(self._sent)

    def one(self) -> None:
        """One exchange. The board's own turn-around is known: without it only the ways there and back are left."""
        t1 = self.ctx.now()
        answer = self.board.ask(msg.Clock(), repeats=0, timeout=0.5)
        t4 = self.ctx.now()
        turn = (answer.sent - answer.received) & 0xFFFFFFFF
        if turn * TICK_US > (t4 - t1) * 1.1e6 + 1e3:
            says, was = quantity(turn * TICK_US * 1e-6, "s"), quantity(t4 - t1, "s")
            raise BoardError(f"the {self.board.role} board says it took {says} over an answer that came after {was}")
        self._sent.append(t1 * 1e6)
        self._stamps.append(self._extend.extend(answer.received) * TICK_US)
        self._received.append(t4 * 1e6 - turn * TICK_US)

    def sample(self, count: int = _FEW) -> None:
        """Some exchanges at irregular distances, or they keep step with the latency timer of the USB chip."""
        for _ in range(count):
            self.one()
            self.rest(_GAP_S)

    def extend_many(self, ticks: npt.ArrayLike) -> Floats:
        """Other stamps of the board, in order, on the same endless count of ticks."""
        return self._extend.extend_many(ticks).astype(np.float64)

    def rest(self, mean_s: float) -> None:
        self.ctx.wait(mean_s * self.ctx.bench.chance.uniform(0.5, 1.5))

    def relation(self) -> ClockMap:
        """The board's clock against the host's over all exchanges so far, at least 8."""
        sent, stamps = np.array(self._sent), np.array(self._stamps)
        went, took = float(np.ptp(stamps)), float(np.ptp(sent))
        if np.any(np.diff(stamps) < 0) or abs(went - took) > _ABSURD * took + 1e4:
            raise BoardError(f"the {self.board.role} board's clock went on by {quantity(went * 1e-6, 's')} in "
                             f"{quantity(took * 1e-6, 's')}: its time stamps are of no use")  # fmt: skip
        return relate_host(sent, stamps, np.array(self._received))

    def rate(self) -> Rate:
        """The board's microseconds as true ones; unknown from exchanges that lie too close together."""
        if len(self) < 8 or self._received[-1] - self._sent[0] < _LEAST_S * 1e6:
            return Rate(0.0, UNKNOWN_PPM)
        found = self.relation()
        interval = found.skew_interval
        return Rate(found.skew, max(interval.high - found.skew, found.skew - interval.low))


class Rate:
    """How fast a board's clock runs: `ppm`, good to `half` ppm (95 %)."""

    def __init__(self, ppm: float, half: float) -> None:
        self.ppm = ppm
        self.half = half

    @property
    def factor(self) -> float:
        """True µs per µs of the board's clock."""
        return 1.0 / (1.0 + 1e-6 * self.ppm)

    def interval(self, us: float, other: float = 0.0) -> Interval:
        """About a true time, from this rate and `other` µs of doubt besides."""
        half = abs(us) * self.half * 1e-6 + other
        return Interval(us - half, us + half)
