"""A bench description made into parts: the boards, the air, the jumper wires, the person."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.benchfile import BenchSpec
from benchctl.errors import UsageError
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air, AirConfig
from benchctl.parts.air_noise import Interferer
from benchctl.parts.allowance import Allowance
from benchctl.parts.board import VCC_DIVIDER, Board, OnHeld, OnMemoryLost
from benchctl.parts.harm import HarmLog
from benchctl.parts.movers import MotorWatch, ServoWatch, watch_feeding, watch_sending
from benchctl.parts.nets import Nets
from benchctl.parts.operator import SimulatedOperator
from benchctl.parts.signal import Signal
from benchctl.parts.stranger import stranger
from benchctl.terms import Role


class World:
    """Everything but the processors. Same description and same chance, same world.

    boards: by role. operator: fulfils `bench.Operator`. Parts act through the agenda only. harm: what has gone wrong
    physically; nets: what is at each pin; allowances: what each board was told on its serial line.
    """

    def __init__(self, spec: BenchSpec, agenda: Agenda, chance: random.Random) -> None:
        self.spec = spec
        self.agenda = agenda
        seed = chance.getrandbits(62)
        self.air = Air(random.Random(f"{seed} air"), _air_config(spec))
        self.boards = {role: Board(role, one, agenda, self.air, seed) for role, one in spec.boards.items()}
        for number, other in enumerate(spec.air.stranger):
            radio = stranger(other, agenda, self.air, random.Random(f"{seed} stranger {number}"))
            for board in self.boards.values():
                self.air.set_path_loss(radio, board.radio, other.path_loss_db)
        for wire in spec.wires:
            if not wire.open:
                self._join(wire.start, wire.to)
        self._watch_for_harm()
        self.operator = SimulatedOperator(self.boards, spec.operator, agenda, random.Random(f"{seed} operator"))

    def _watch_for_harm(self) -> None:
        self.harm = HarmLog()
        self.nets = Nets(self.boards, self.spec.wires, self.harm)
        self.allowances: dict[Role, Allowance] = {}
        for role, board in self.boards.items():
            allowed = self.allowances[role] = Allowance(board.spec.label)
            for name in board.escs:
                MotorWatch(board, name, allowed, self.agenda, self.harm)
            for name in board.servos:
                ServoWatch(board, name, allowed, self.agenda, self.harm)
            watch_sending(board, self.harm)
            watch_feeding(board, self.harm)

    # -- jumper wires ---------------------------------------------------------------------------------------------

    def _join(self, start: str, to: str) -> None:
        source, output = self._end(start)
        target, function = self._end(to)
        if function in target.switches and output == "stimulus":
            switch = target.switches[function]
            source.outputs["stimulus"].connect(lambda level, time: switch.pull_low(start, level < 0.5, time))
        elif function in ("sense_vcc1", "sense_vcc2", "sense_rail", "joy_x", "joy_y"):
            target.analog_wires[function] = _volts_of(source, output)
        elif function in target.inputs:
            level = _level_of(source, output)
            target.inputs[function].set(level.level, self.agenda.now)
            level.connect(target.inputs[function].set)
        else:
            raise UsageError(f"bench {self.spec.name}: a wire from {start} to {to} joins nothing that can sense it")

    def _end(self, end: str) -> tuple[Board, str]:
        role, _, point = end.partition(".")
        return self.boards[Role(role)], point

    # -- supply ---------------------------------------------------------------------------------------------------

    def on_held(self, tell: OnHeld) -> None:
        """`tell(role, held, time)` when a board's supply puts its processor into reset, and when it lets go."""
        for board in self.boards.values():
            board.on_held.append(tell)

    def on_memory_lost(self, tell: OnMemoryLost) -> None:
        """`tell(role, time)` when a supply has fallen so low that the processor's memory is gone."""
        for board in self.boards.values():
            board.on_memory_lost.append(tell)

    def power_off(self, role: Role) -> None:
        """Unplug a board from everything, now."""
        self.boards[role].power_off(self.agenda.now)

    def power_on(self, role: Role) -> None:
        self.boards[role].power_on(self.agenda.now)


def stored_settings(spec: BenchSpec, role: Role) -> dict[str, int | str]:
    """What a modelled board holds in its EEPROM besides its owner's wiring: role, label, the bench file's settings."""
    board = spec.boards[role]
    out: dict[str, int | str] = {"role": list(Role).index(role), "label": board.label}
    if board.via:
        out["air_reach"] = 1
    return {**out, **board.settings}


def _air_config(spec: BenchSpec) -> AirConfig:
    air = spec.air
    return AirConfig(
        path_loss_db=air.path_loss_db,
        fade_sigma_db=air.fading_db,
        fade_time_s=air.fading_s,
        deep_fade_db=air.deep_fade_db,
        deep_fade_rate_hz=air.deep_fade_per_s,
        deep_fade_ms=air.deep_fade_ms,
        max_input_dbm=air.max_input_dbm,
        interferers=tuple(
            Interferer(one.centre_mhz, one.width_mhz, one.duty, one.power_dbm, one.burst_ms) for one in air.interferer
        ),
    )


def _level_of(board: Board, point: str) -> Signal:
    if point == "reset":
        return board.reset_line
    return board.inputs[point] if point in board.inputs else board.outputs[point]


def _volts_of(board: Board, point: str) -> Callable[[float], float]:
    if point == "vcc":
        return lambda time: board.supply.volts(time) / VCC_DIVIDER
    if point == "stick_out":
        return board.stick_out_volts
    signal = _level_of(board, point)
    return lambda time: signal.level * board.supply.volts(time)
