"""The gauge as a script has it: what a pair with firmware of its maker's does, measured from outside."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchctl.library.boards import OpenBoard
from benchctl.library.runs import Run
from benchctl.session.board import Board
from benchctl.stages.contract import Value
from benchctl.terms import Limit

Measure = Callable[..., Run]
LimitLike = Limit | Mapping[str, float] | None
Limits = Mapping[str, LimitLike] | None


class Gauge(OpenBoard):
    """The gauge of an open bench; each measurement is a run of one stage, with its limits and parameters by name.

    Motors are unplugged. `benchctl bench wiring` draws the jumpers.
    """

    def __init__(self, board: Board, measure: Measure) -> None:
        super().__init__(board)
        self._measure = measure

    def wiring(self, *, limits: Limits = None, **parameters: Value) -> Run:
        """Stage gauge_wiring: is every jumper in its place, does the pair follow switch and joystick?"""
        return self._measure("gauge_wiring", limits=limits, **parameters)

    def switch_to_led(self, *, limits: Limits = None, **parameters: Value) -> Run:
        """Stage gauge_switch_to_led: from the switch line to the LED line, `presses` times."""
        return self._measure("gauge_switch_to_led", limits=limits, **parameters)

    def joystick_to_pulse(self, *, limits: Limits = None, **parameters: Value) -> Run:
        """Stage gauge_joystick_to_pulse: from the joystick's voltage to the servo's pulse, and the motor's idle."""
        return self._measure("gauge_joystick_to_pulse", limits=limits, **parameters)

    def cut_off(self, *, limits: Limits = None, **parameters: Value) -> Run:
        """Stage gauge_cut_off: what servo and motor pulses do when the hand unit is gone."""
        return self._measure("gauge_cut_off", limits=limits, **parameters)
