"""What the motor stages share: the channel, its pulse as measured, and the control traffic that has to go on."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.clocks import TickExtender
from benchctl.errors import BoardError, PortLost
from benchctl.safety.drive import Drive
from benchctl.stages.contract import Context, ReadingSpec
from benchctl.stages.metering import metered
from benchctl.terms import Limit, Role, Source
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import MOTOR_KINDS, Point, PulseKind

_TICK_MS = TICK_US / 1000
#: from control packet to control packet
SENDING_US = 20_000


def motor_channels(ctx: Context) -> list[int]:
    """The channels, counted from 1, that are declared as motor controllers. Raises BoardError for none."""
    kinds = ctx.board(Role.CRAFT).wiring.pulse_kinds
    found = [channel for channel, kind in enumerate(kinds, 1) if kind in MOTOR_KINDS]
    if not found:
        raise BoardError("no pulse output of the craft is declared as a motor controller")
    return found


def named(ctx: Context, channel: int, reading: str) -> str:
    """A reading's name: of a craft with several motors, with the output's in front."""
    return f"output{channel}.{reading}" if len(motor_channels(ctx)) > 1 else reading


def idle_of(ctx: Context, channel: int) -> int:
    """The pulse at which the channel's motor rests, µs."""
    both_ways = ctx.board(Role.CRAFT).wiring.pulse_kinds[channel - 1] is PulseKind.REVERSIBLE
    return _own(ctx, f"rest{channel}_us", "neutral_us" if both_ways else "idle_us")


def full_of(ctx: Context, channel: int) -> int:
    """The pulse of full throttle of the channel's motor, µs."""
    return _own(ctx, f"full{channel}_us", "full_us")


def _own(ctx: Context, name: str, of_all: str) -> int:
    """A width that the board has for one motor, else the one that it has for all."""
    craft = ctx.board(Role.CRAFT)
    return int(craft.read_setting(name)) or int(craft.read_setting(of_all))


def drive_of(ctx: Context, channel: int = 0) -> Drive:
    """A motor controller of the craft, the first by default; control packets are a condition of staying armed."""
    channel = channel or motor_channels(ctx)[0]
    both_ways = ctx.board(Role.CRAFT).wiring.pulse_kinds[channel - 1] is PulseKind.REVERSIBLE
    return Drive(ctx, ctx.interlock, Role.CRAFT, channel, radio=True, both_ways=both_ways, along=(Role.HAND,))


def pulse_widths(ctx: Context, channel: int, frames: int, frame_s: float) -> tuple[npt.NDArray[np.float64], str]:
    """Widths in µs of some frames, and how they were measured: by capture over a jumper, else as the timer is set."""
    craft, hand = ctx.board(Role.CRAFT), ctx.board(Role.HAND)
    if hand.wiring.wired(f"craft.pulse{channel}", "hand.capture"):
        hand.events(msg.Captured)
        hand.ask(msg.Capture(on=1))
        ctx.wait(frames * frame_s)
        hand.ask(msg.Capture(on=0))
        return msg.Captured.columns(hand.events(msg.Captured)).width.astype(
            np.float64
        ) * TICK_US, "by input capture over the jumper"
    widths = []
    for _ in range(frames):
        ctx.wait(frame_s)
        widths.append(craft.ask(msg.PulseRead(channel=channel)).width * TICK_US)
    return np.array(widths), "as the craft's timer is set"


def jumpers_between(ctx: Context, role: Role) -> str:
    """Declared jumpers from a board to others, as in "craft.led to hand.loop_back"; "" for none."""
    found = []
    for start, to in ctx.board(role).wiring.wires:
        ends = {start.partition(".")[0], to.partition(".")[0]}
        if str(role) in ends and len(ends) > 1:
            found.append(f"{start} to {to}")
    return ", ".join(found)


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
        self.ctx.board(Role.CRAFT).events(msg.Trace)
        for role in (Role.CRAFT, Role.HAND):
            board = self.ctx.board(role)
            board.write_setting("send_interval_us", SENDING_US)
            board.ask(msg.LoopStart(trace=1))
        self.ctx.wait(0.2)
        self.poll()

    def poll(self) -> None:
        for event in self.ctx.board(Role.CRAFT).events(msg.Trace):
            for row in event.rows:
                if row.point == Point.RECEIVED:
                    self.received.append((row.value, self._extend.extend(row.at) * _TICK_MS))

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
        self.ctx.board(Role.HAND).ask(msg.LoopStop(), timeout=0.5)

    def stop_quietly(self) -> None:
        """Off on both boards; what cannot be said is left."""
        for role in (Role.HAND, Role.CRAFT):
            board = self.ctx.board(role)
            try:
                board.clear_restart()
                board.ask(msg.LoopStop(), timeout=0.5, repeats=0)
            except (BoardError, PortLost):
                continue


GROUND_OHMS = ReadingSpec(
    "ground_ohms", "ohm", "board's ground to the controller's", Limit(max=5.0), "same", 50, "%",
    about="By meter, where a controller did not arm as recorded: without a ground of their own the pulses do "
          "not arrive. Usual: below 1 Ω.",
)  # fmt: skip


def unplug_motors(ctx: Context) -> None:
    """Somebody unplugs the motor controllers' battery."""
    text = "Unplug the motor controllers' battery now."
    ctx.ask(ev.PromptKind.DO, text, "unplug_motor", role=Role.CRAFT, timeout_s=120.0)


def measure_grounds(ctx: Context, channels: list[int]) -> None:
    """Whether each controller's signal ground is the board's, by meter; their battery is unplugged by now."""
    for channel in channels:
        text = (
            f"Battery unplugged: ohms from the craft board's ground to the ground of the motor controller at output "
            f"{channel}, where its battery's minus goes in:"
        )
        ohms = metered(ctx, Role.CRAFT, text, f"esc.pulse{channel}.ground_ohms", "ohm")
        if ohms is not None:
            ctx.read(named(ctx, channel, "ground_ohms"), ohms, "ohm", 1, source=Source.OPERATOR,
                     note="board's ground to the controller's, battery unplugged")  # fmt: skip
