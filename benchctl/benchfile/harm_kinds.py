"""What can be physically wrong on a bench, by name; used by the harm log and by `harm` in a bench file."""

from __future__ import annotations

from enum import StrEnum


class HarmKind(StrEnum):
    """The kinds of harm; `TITLES` says each in words."""

    PIN_CURRENT = "pin-current"
    OUTPUTS = "outputs"
    OVER_VOLTAGE = "over-voltage"
    FED = "fed"
    BACK_FED = "back-fed"
    PULSE = "pulse"
    TURNING = "turning"
    SERVO_ENDS = "servo-ends"
    STALL = "stall"
    NO_AERIAL = "no-aerial"


TITLES = {
    HarmKind.PIN_CURRENT: "more than 20 mA through a pin",
    HarmKind.OUTPUTS: "two outputs against each other",
    HarmKind.OVER_VOLTAGE: "more than its supply and 0.3 V on a pin of a 3.3 V part",
    HarmKind.FED: "a clamp diode or an unpowered chip fed through a signal wire",
    HarmKind.BACK_FED: "a rail or regulator fed backwards",
    HarmKind.PULSE: "a pulse that turns a motor, without a live throttle",
    HarmKind.TURNING: "a motor turning without a live throttle",
    HarmKind.SERVO_ENDS: "a servo driven past its end points",
    HarmKind.STALL: "a servo stalled for over 0.5 s",
    HarmKind.NO_AERIAL: "an amplified transceiver sending with no aerial",
}
