"""The hobby pair's images, as it is and with one change each: what is changed, and the reading that must say so."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
BENCH = "black-box"
#: their few lines for the transceiver are the example's of the probe in an own sketch
_RADIO = HERE.parents[1] / "firmware_probe" / "marks" / "marked_pair"
_FLAGS = ("-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu11", "-Wall", "-Wextra", "-Werror")


@dataclass(frozen=True)
class Change:
    """hand, craft: flags for avr-gcc. readings: those of which at least one must be called worse; () for none."""

    name: str
    readings: tuple[str, ...] = ()
    hand: tuple[str, ...] = ()
    craft: tuple[str, ...] = ()
    optimise: str = "-Os"


HARMFUL = (
    Change("debounce doubled", ("latency_p50",), hand=("-DDEBOUNCE_MS=20",)),
    Change("send rate halved", ("step_spread",), hand=("-DSEND_MS=40",)),
    Change("retransmissions off", ("stragglers", "latency_p95"), hand=("-DRETRIES=0",)),
    Change("retransmission after 4 ms", ("stragglers", "latency_p95"), hand=("-DRETRY_DELAY=15",)),
    Change("CRC of one byte, on one side", ("follows_switch",), craft=("-DCRC_BITS=0x08",)),
    Change("servo range clipped", ("low", "high"), craft=("-DSERVO_LEAST=1050", "-DSERVO_MOST=1950")),
    Change("wrong rounding in the map", ("unevenness", "nonlinearity"), craft=("-DCOARSE_MAP",)),
    Change("late ISR", ("width_jitter",), craft=("-DLATE_ISR",)),
    Change("loop blocked for 8 ms now and then", ("stragglers", "latency_p95"), craft=("-DBLOCKED_MS=8",)),
    Change("silence limit raised", ("cut_off",), craft=("-DSILENCE_MS=600",)),
    Change("no cut on silence", ("cut_off",), craft=("-DNO_FAILSAFE",)),
    Change("motor goes on on silence", ("motor_cut_off",), craft=("-DMOTOR_GOES_ON",)),
    Change("idle pulse 50 us high", ("motor_idle",), craft=("-DIDLE_US=1050",)),
    Change("channel changed on one side", ("follows_switch",), craft=("-DCHANNEL=41",)),
    Change("sensor read blocks the radio", ("latency_p50",), hand=("-DSENSOR_BLOCKS",)),
    Change("frame of 25 ms", ("frame_period",), craft=("-DFRAME_US=25000",)),
    Change("joystick smoothed too much", ("step", "hysteresis", "nonlinearity"), hand=("-DSLOW_FILTER",)),
    Change("dead band of 40 counts", ("nonlinearity",), hand=("-DDEAD_BAND=40",)),
    Change("joystick reversed", ("low",), hand=("-DREVERSED",)),
    Change("starts a second later", ("craft_start",), craft=("-DLATE_START_MS=1000",)),
    Change("LED only every 50 ms", ("latency_p50", "latency_p95"), craft=("-DSLOW_LED",)),
    Change("watchdog restarts it", ("odd_frames",), craft=("-DRESTARTS",)),
)
HARMLESS = (
    Change("variables renamed", hand=("-DRENAMED",), craft=("-DRENAMED",)),
    Change("code reordered", hand=("-DREORDERED",), craft=("-DREORDERED",)),
    Change("optimised for speed", optimise="-O2"),
    Change("optimised harder", optimise="-O3"),
    Change("no function inlined", hand=("-fno-inline",), craft=("-fno-inline",)),
)


def build(change: Change, folder: Path) -> dict[str, str]:
    """Images of both boards by role."""
    images = {}
    for role, flags in (("hand", change.hand), ("craft", change.craft)):
        out = folder / f"{role}.elf"
        command = ["avr-gcc", *_FLAGS, f"-I{_RADIO}", change.optimise, *flags, "-o", str(out), str(HERE / f"{role}.c")]
        subprocess.run(command, check=True, capture_output=True, text=True)
        images[role] = str(out)
    return images
