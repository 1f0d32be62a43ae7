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


#: first and last word of a point: how it is read; the word between names the rail or the output
_READINGS: Mapping[tuple[str, str], Callable[[Board, str, float], float]] = {
    ("rail", "volts"): _rail_volts,
    ("rail", "ohms_to_ground"): _rail_ohms,
    ("rail", "uf"): _rail_uf,
    ("servo", "deg"): _servo_deg,
}


def read(board: Board, point: str, time: float) -> float | None:
    """The true value at a point such as "rail.main.volts", "rail.radio.ohms_to_ground", "rail.radio.uf",
    "servo.pulse1.deg"; "vcc" is the processor's supply. None when there is no such point.
    """
    if point == "vcc":
        return board.supply.volts(time)
    first, _, rest = point.partition(".")
    name, _, last = rest.rpartition(".")
    reading = _READINGS.get((first, last))
    if reading is None or name not in (board.rails if first == "rail" else board.servos):
        return None
    return reading(board, name, time)
