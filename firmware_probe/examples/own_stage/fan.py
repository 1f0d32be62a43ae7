"""A stage of one's own: does a fan controller start its fan alike every time, and what does that do to the supply?

It asks for throttle only through the run's drive: before it the run has passed all that the shipped ramp needs, and a
person has attested every statement. THE FAN TURNS: rotor off or guarded, craft tied down, supply limited.
"""

from __future__ import annotations

import statistics

from benchctl import (
    TO_SPIN,
    Context,
    ControlTraffic,
    Interval,
    Limit,
    Parameter,
    ReadingSpec,
    Role,
    Source,
    Stage,
    messages,
    motor_drive,
)

#: two-sided 97.5 % points of the t distribution, by degrees of freedom (printed tables; from memory)
T = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26}


def volts(ctx: Context) -> float:
    """The craft's supply now."""
    return ctx.board(Role.CRAFT).ask(messages.Vitals(), timeout=0.1).vcc_mv / 1000


def perform(ctx: Context) -> None:
    drive, traffic = motor_drive(ctx), ControlTraffic(ctx)
    traffic.start()
    rest = volts(ctx)
    permille = round(10 * ctx.number("cap"))
    sags: list[float] = []
    widths: list[float] = []
    drive.arm()
    try:
        drive.hold_throttle(0, 0.5)
        for number in range(ctx.count("starts")):
            lowest = [rest]
            drive.hold_throttle(permille, ctx.number("hold_seconds"), lambda low=lowest: low.append(volts(ctx)))
            sags.append(max(0.0, rest - min(lowest)))
            widths.append(float(drive.width_us))
            drive.hold_throttle(0, 0.5)
            ctx.progress(number + 1, ctx.count("starts"))
    finally:
        drive.disarm()
    traffic.stop_quietly()
    mean, spread = statistics.mean(sags), statistics.stdev(sags)
    half = T[len(sags) - 1] * spread / len(sags) ** 0.5
    ctx.read("start_sag", mean, "V", len(sags), Interval(mean - half, mean + half), Source.SAMPLING)
    ctx.read("width_spread", max(widths) - min(widths), "us", len(widths), note="of the pulse at full start throttle")


STAGE = Stage(
    kind="fan_start",
    title="Fan start-up",
    instruction="THE FAN TURNS, several times. Rotor off or guarded, craft tied down; the stop key is ready.",
    needs=TO_SPIN,
    perform=perform,
    by_air="a motor is driven over a cable only",
    parameters=(
        Parameter("cap", 15.0, "throttle of every start, which is the cap too", "%", 1.0, 20.0),
        Parameter("starts", 4, "starts from rest", "", 2, 10),
        Parameter("hold_seconds", 1.0, "time at that throttle", "s", 0.3, 5.0),
    ),
    measures=(
        ReadingSpec("start_sag", "V", "how far the supply dips at a start, mean", Limit(max=0.3), "lower", 0.05, ""),
        ReadingSpec("width_spread", "us", "the starts' pulses differ by so much", Limit(max=2.0), "lower", 1.0, ""),
    ),
    expected_s=lambda p: 2.0 + 2.0 * float(p["starts"]),
    spins=True,
)
