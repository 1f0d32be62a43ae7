"""A board over a long soak: how often it started anew, how often it was out of reach, and its clock in between."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.analysis.clocks import TickExtender
from benchctl.errors import BoardError, NoAnswer, PortLost, Refused, Restarted
from benchctl.session.board import Board
from benchctl.stages.contract import Context
from benchctl.terms import Interval, Role
from benchctl.units import TICK_US
from benchctl.wire import msg

#: from one try to reach a board to the next
_TRY_S = 0.2


@dataclass(slots=True)
class Stretch:
    """A board's clock against the host's without a restart in between; delay: the longest exchange, in seconds."""

    host: tuple[float, float]
    ticks: tuple[int, int]
    delay: float

    @property
    def seconds(self) -> float:
        return self.host[1] - self.host[0]

    def ppm(self) -> tuple[float, Interval]:
        """How fast the board's clock runs against the host's; the interval is what the exchanges leave open."""
        if self.seconds <= 0:
            raise ValueError("a clock is compared over some time")
        value = 1e6 * ((self.ticks[1] - self.ticks[0]) * TICK_US * 1e-6 / self.seconds - 1)
        half = 1e6 * self.delay / self.seconds
        return value, Interval(value - half, value + half)


class Lives:
    """One board's starts, absences and clock. Starts are counted by the board, so that none is missed while it was
    out of reach."""

    def __init__(self, ctx: Context, role: Role) -> None:
        self.ctx, self.role = ctx, role
        self.starts = 0
        self.absences = 0
        self.longest: Stretch | None = None
        self._boots: int | None = None
        self._extend = TickExtender()
        self._now: Stretch | None = None
        self.identified()

    @property
    def board(self) -> Board:
        return self.ctx.board(self.role)

    def identified(self) -> None:
        """Have the board say how often it has started; what is new since the last time counts."""
        boots = self.board.identify().boots
        new = (boots - self._boots) & 0xFFFF if self._boots is not None else 0
        self._boots = boots
        if new:
            self.starts += new
            self._end_stretch()

    def tick(self) -> None:
        """Read the board's clock, at least every quarter of an hour: it wraps after 35.8 minutes."""
        asked = self.ctx.now()
        sent = self.board.ask(msg.Clock()).sent
        answered = self.ctx.now()
        ticks, host = self._extend.extend(sent), (asked + answered) / 2
        if self._now is None:
            self._now = Stretch((host, host), (ticks, ticks), answered - asked)
        else:
            self._now.host, self._now.ticks = (self._now.host[0], host), (self._now.ticks[0], ticks)
            self._now.delay = max(self._now.delay, answered - asked)

    def end(self) -> None:
        """The soak is over."""
        self.identified()
        self._end_stretch()

    def _end_stretch(self) -> None:
        if self._now is not None and (self.longest is None or self._now.seconds > self.longest.seconds):
            self.longest = self._now
        self._now, self._extend = None, TickExtender()

    # ------------------------------------------------------------------ out of reach

    def reach(self, patience_s: float) -> None:
        """Wait until the board answers again, wherever its port is then, and set its transceiver up.

        Raises what kept it away when it does not come back in time.
        """
        deadline, away = self.ctx.now() + patience_s, False
        while True:
            try:
                self._try()
                break
            except (NoAnswer, PortLost, Restarted, Refused) as e:
                if not isinstance(e, Restarted | Refused) and not away:
                    away = True
                    self.absences += 1
                    self.ctx.note(f"the {self.role} board is out of reach: {e}", "warning")
                if self.ctx.now() >= deadline:
                    raise
                self._look_for(e)
        if away:
            self.ctx.note(f"the {self.role} board answers again")

    def _try(self) -> None:
        board = self.board
        board.poll()
        board.clear_restart()
        self.identified()
        board.ask(msg.LinkStop(), timeout=0.5)
        board.ask(msg.RadioApply(), timeout=1.0)

    def _look_for(self, why: BoardError | PortLost) -> None:
        self.ctx.wait(_TRY_S)
        self.ctx.interlock.lapse(self.role)
        if isinstance(why, PortLost):
            self.ctx.bench.reopen(self.role)
