"""What the motor stages share: the channel, its pulse as measured, and the control traffic that has to go on."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchctl.analysis.clocks import TickExtender
from benchctl.errors import BoardError, PortLost
from benchctl.safety.drive import Drive
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire.catalogue import Point, PulseKind

_TICK_US, _TICK_MS = 0.5, 0.5e-3
#: from control packet to control packet
SENDING_US = 20_000


def motor_channel(ctx: Context) -> int:
    """The first channel, counted from 1, that is declared as a motor controller. Raises BoardError for none."""
    kinds = ctx.board(Role.CRAFT).declared.pulse_kinds
    for channel, kind in enumerate(kinds, 1):
        if kind is PulseKind.MOTOR:
            return channel
    raise BoardError("no pulse output of the craft is declared as a motor controller")


def drive_of(ctx: Context) -> Drive:
    """The craft's motor controller, with control packets over the air as a condition of staying armed."""
    return Drive(ctx, ctx.interlock, Role.CRAFT, motor_channel(ctx), radio=True, along=(Role.HAND,))


def pulse_widths(ctx: Context, channel: int, frames: int, frame_s: float) -> tuple[npt.NDArray[np.float64], str]:
    """Widths in µs of some frames, and how they were measured: by capture over a jumper, else as the timer is set."""
    craft, hand = ctx.board(Role.CRAFT), ctx.board(Role.HAND)
    if hand.declared.wired(f"craft.pulse{channel}", "hand.capture"):
        hand.events("captured")
        hand.ask("capture", on=1)
        ctx.wait(frames * frame_s)
        hand.ask("capture", on=0)
        rows = [row[1] for event in hand.events("captured") for row in event.rows]
        return np.array(rows, np.float64) * _TICK_US, "by input capture over the jumper"
    widths = []
    for _ in range(frames):
        ctx.wait(frame_s)
        widths.append(craft.ask("pulse_read", channel=channel).width * _TICK_US)
    return np.array(widths), "as the craft's timer is set"


class ControlTraffic:
    """The control loop on both boards: a craft that has once heard control packets cuts when they stop.

    received: (number, ms of the craft's clock) of every control packet that came, in order.
    """

    def __init__(self, ctx: Context) -> None:
        self.ctx = ctx
        self.received: list[tuple[int, float]] = []
        self._extend = TickExtender()

    def start(self) -> None:
        """Craft first; switched off again when the stage ends, however it ends."""
        self.ctx.cleanup.callback(self.stop_quietly)
        self.ctx.board(Role.CRAFT).events("trace")
        for role in (Role.CRAFT, Role.HAND):
            board = self.ctx.board(role)
            board.write_setting("send_interval_us", SENDING_US)
            board.ask("loop_start", trace=1)
        self.ctx.wait(0.2)
        self.poll()

    def poll(self) -> None:
        for event in self.ctx.board(Role.CRAFT).events("trace"):
            for point, value, at in event.rows:
                if point == Point.RECEIVED:
                    self.received.append((value, self._extend.extend(at) * _TICK_MS))

    def ms(self, ticks: int) -> float:
        """A time stamp of the craft in ms of the same continued clock."""
        return self._extend.extend(ticks) * _TICK_MS

    def missed(self, since: int = 0) -> tuple[int, int]:
        """(missing, sent) among the packets received from index `since` on, by the gaps in their numbers."""
        numbers = [n for n, _ in self.received[since:]]
        sent = sum((b - a) & 0xFFFF for a, b in pairwise(numbers))
        return sent - max(0, len(numbers) - 1), sent

    def stop_hand(self) -> None:
        """The hand unit falls silent."""
        self.ctx.board(Role.HAND).ask("loop_stop", timeout=0.5)

    def stop_quietly(self) -> None:
        """Off on both boards; what cannot be said is left."""
        for role in (Role.HAND, Role.CRAFT):
            board = self.ctx.board(role)
            try:
                board.clear_restart()
                board.ask("loop_stop", timeout=0.5, repeats=0)
            except (BoardError, PortLost):
                continue
