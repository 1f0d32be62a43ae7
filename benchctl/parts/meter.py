"""What a person reads from a multimeter, a protractor or the parts themselves, by the name of the point."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchctl.parts.board import Board


def _rail_volts(board: Board, name: str, time: float) -> float:
    return board.rails[name].volts(time)


def _rail_ohms(board: Board, name: str, time: float) -> float:
    return board.rails[name].ohms_to_ground()


def _rail_uf(board: Board, name: str, time: float) -> float:
    return board.rails[name].spec.bulk_uf


def _servo_deg(board: Board, name: str, time: float) -> float:
    return board.servos[name].seen_angle(time)


def _servo_volts(board: Board, name: str, time: float) -> float:
    """From the servo's plus to the board's ground: next to nothing where the two grounds are not joined."""
    servo = board.servos[name].spec
    return board.rails[servo.rail].volts(time) if servo.signal_ground else ADRIFT_V


def _ground_ohms(board: Board, name: str, time: float) -> float:
    return LEAD_OHMS if board.escs[name].spec.signal_ground else NO_WAY_OHMS


def _pull_ma(board: Board, name: str, time: float) -> float:
    """From the line to where its switch leads, through the meter: what its pull lets flow."""
    return 1e3 * board.supply.volts(time) / board.switches[name].spec.pull_ohms


#: what a meter shows between two things that nothing joins, in V; leads and contacts in ohms; an open way
ADRIFT_V, LEAD_OHMS, NO_WAY_OHMS = 0.08, 0.2, 1e9
#: first and last word of a point: how it is read; the word between names the rail or the output
_READINGS: Mapping[tuple[str, str], Callable[[Board, str, float], float]] = {
    ("rail", "volts"): _rail_volts,
    ("rail", "ohms_to_ground"): _rail_ohms,
    ("rail", "uf"): _rail_uf,
    ("servo", "deg"): _servo_deg,
    ("servo", "volts"): _servo_volts,
    ("esc", "ground_ohms"): _ground_ohms,
    ("switch", "pull_ma"): _pull_ma,
}


def read(board: Board, point: str, time: float) -> float | None:
    """The true value at a point such as "rail.main.volts", "rail.radio.ohms_to_ground", "rail.radio.uf",
    "servo.pulse1.deg", "esc.pulse2.ground_ohms", "switch.switch1.pull_ma"; "vcc" is the processor's supply. None when
    there is no such point.
    """
    if point == "vcc":
        return board.supply.volts(time)
    first, _, rest = point.partition(".")
    name, _, last = rest.rpartition(".")
    reading = _READINGS.get((first, last))
    parts: Mapping[str, Mapping[str, object]] = {
        "rail": board.rails, "servo": board.servos, "esc": board.escs, "switch": board.switches
    }  # fmt: skip
    if reading is None or name not in parts[first]:
        return None
    return reading(board, name, time)
