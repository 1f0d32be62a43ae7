"""What the motor stages share: which channel the motor controller is on, its pulse as measured, guard events."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchctl.errors import BoardError
from benchctl.safety.drive import Drive
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire.catalogue import PulseKind
from benchctl.wire.messages import Msg

_TICK_US = 0.5


def motor_channel(ctx: Context) -> int:
    """The first channel, counted from 1, that is declared as a motor controller. Raises BoardError for none."""
    kinds = ctx.board(Role.CRAFT).declared.pulse_kinds
    for channel, kind in enumerate(kinds, 1):
        if kind is PulseKind.MOTOR:
            return channel
    raise BoardError("no pulse output of the craft is declared as a motor controller")


def drive_of(ctx: Context, *, radio: bool = False) -> Drive:
    """The craft's motor controller, disarmed when the stage ends however it ends."""
    return Drive(ctx, ctx.interlock, Role.CRAFT, motor_channel(ctx), radio=radio)


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


def guard_events(ctx: Context) -> list[Msg]:
    return ctx.board(Role.CRAFT).events("guard_changed")
