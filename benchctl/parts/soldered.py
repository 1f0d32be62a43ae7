"""Which things are soldered to which pin of a board, as its description has them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from benchctl.parts.board import Board
from benchctl.parts.nrf24_lines import FROM_CHIP, FROM_PROCESSOR, OPEN_OHMS
from benchctl.parts.surroundings import (
    BUS_OHMS,
    CONTROLLER_OHMS,
    RESET_OHMS,
    SERIAL_OHMS,
    WIRE_OHMS,
    ChipPin,
    Contact,
    PinState,
    RadioPin,
    Thing,
    Wiper,
    led,
    resistor,
)

#: the chip's own pins for buses, serial line and reset
_SPI = {"mosi": "PB3", "miso": "PB4", "sck": "PB5"}
_TWI, _SERIAL, _RESET = ("PC4", "PC5"), ("PD0", "PD1"), "PC6"


@dataclass(slots=True)
class Soldered:
    """things: by pin. bridges: pins joined by solder."""

    things: dict[str, list[Thing]] = field(default_factory=dict)
    bridges: list[tuple[str, str]] = field(default_factory=list)

    def add(self, pin: str, thing: Thing) -> None:
        if pin:
            self.things.setdefault(pin, []).append(thing)


def _no_volts() -> float:
    return 0.0


def things_of(board: Board, chip_at: Callable[[str], ChipPin]) -> Soldered:
    """Everything at the pins of one board; chip_at(pin): the processor's end, asked later."""
    found = Soldered()
    supply, pins, spec = board.nominal_supply, board.pins, board.spec
    one = spec.led
    if one.fitted and not one.reversed and not one.open:
        found.add(pins.get("led", ""), led(one.series_ohms, one.forward_v, one.active_low, supply))
    for name, switch in spec.switch.items():
        if switch.fitted:
            pin = pins.get(name, "")
            to_ground = switch.closes_to == "ground"
            if switch.pull_ohms < OPEN_OHMS:
                found.add(pin, resistor(switch.pull_ohms, supply, to_ground))
            closed, leads = board.switches[name].contact, _no_volts if to_ground else supply
            found.add(pin, Contact(lambda closed=closed: bool(closed.level), leads))  # type: ignore[misc]
    _stick(found, board)
    for name in spec.esc:
        if spec.esc[name].fitted and spec.esc[name].signal_ground:
            found.add(pins.get(name, ""), resistor(CONTROLLER_OHMS, supply, False))
    for pin in _TWI if spec.imu.fitted else ():
        found.add(pin, resistor(BUS_OHMS, lambda: board.nominal(spec.imu.rail), True))
    found.add(_SERIAL[0], resistor(SERIAL_OHMS, supply, True, strong=True))
    found.add(_RESET, resistor(RESET_OHMS, supply, True))
    _radio(found, board, chip_at)
    return found


def _stick(found: Soldered, board: Board) -> None:
    spec = board.spec.joystick
    for axis, track in (("x", spec.x), ("y", spec.y)):
        if not spec.fitted or track.open:
            continue

        def share(axis: str = axis) -> float:
            x, y = board.joystick.position(board.now())
            return board.joystick.ideal_counts(axis, y if (axis == "x") == spec.swapped else x) / 1024.0

        ground = resistor(WIRE_OHMS, board.nominal_supply, False, strong=True)
        wiper: Thing = ground if spec.unpowered else Wiper(share, board.nominal_supply)
        found.add(board.pins.get(f"joy_{axis}", ""), wiper)


def _radio(found: Soldered, board: Board, chip_at: Callable[[str], ChipPin]) -> None:
    """The transceiver's six lines where they are really soldered to, and the wire from its rail."""
    spec = board.spec.radio
    at = {name: _SPI.get(name) or board.pins.get(f"radio_{name}", "") for name in FROM_PROCESSOR + FROM_CHIP}

    def supply() -> float:
        return board.nominal(spec.rail)

    def selected() -> bool:
        to = at[spec.csn.to_line or "csn"]
        return bool(to) and chip_at(to).state is PinState.LOW

    levels: dict[str, Callable[[], int | None]] = {
        "irq": lambda: int(board.radio.irq.level),
        "miso": lambda: 0 if selected() else None,
    }
    for name in at:
        line = getattr(spec, name)
        pin = at[line.to_line or name]
        if spec.fitted and line.series_ohms < OPEN_OHMS:
            found.add(pin, RadioPin(name, line.series_ohms, supply, levels.get(name)))
        for ohms, up in ((line.to_ground_ohms, False), (line.to_supply_ohms, True)):
            if ohms < OPEN_OHMS:
                found.add(pin, resistor(max(ohms, 0.1), supply, up, strong=ohms < 1e3))
        if line.bridged_to and at[name] and at[line.bridged_to]:
            found.bridges.append((at[name], at[line.bridged_to]))
    if spec.rail in board.rails:
        found.add(board.pins.get("sense_rail", ""), resistor(WIRE_OHMS, supply, True, strong=True))
