# ruff: noqa: RUF009 - the helpers return dataclass fields
"""Every key of a pair file: what an owner can know of the two boards, and nothing that is a model.

None, and a function that is missing from `pins`, mean *unknown*: nobody has said it. Whoever needs it finds it, asks
for it, or does without; no value stands in for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations, permutations, product

from benchctl.pairfile.keys import choice, flag, free, named, number, pins, table, tables, text, whole
from benchctl.pairfile.pins import FUNCTIONS, NONE, PULSES, SWITCHES
from benchctl.terms import Role
from benchctl.wire.catalogue import REST_KEYS, SETTINGS
from benchctl.wire.fields import MOST_TEXT

#: settings that other keys of a pair file say
_SAID_ELSEWHERE = (
    *("role", "label", "self_stimulus", "led_active_low", "switch_to_supply", "rail_divider", "baud_code"),
    *(s.name for s in SETTINGS if s.key >= REST_KEYS),
)
STORED = tuple(s.name for s in SETTINGS)


def _mounts() -> tuple[str, ...]:
    """Board axis of each axis of the sensor: the 24 ways in which a part can be turned, as "x-y-z"."""
    ways = []
    for axes in permutations("xyz"):
        turns = sum(one > other for one, other in combinations(axes, 2))
        for signs in product(("", "-"), repeat=3):
            if (turns + signs.count("-")) % 2 == 0:  # no mirror image
                ways.append("".join(sign + axis for sign, axis in zip(signs, axes, strict=True)))
    return tuple(ways)


MOUNTS = _mounts()
#: what an amplified transceiver draws while sending; its module's sheet says so (common practice, no source)
AMPLIFIED_MA = 115.0


@dataclass(frozen=True, slots=True)
class SupplyFacts:
    """How a board is fed."""

    fed_by: str | None = choice(None, ("usb", "battery", "both"), "what feeds it while it is measured")
    usb_apart: bool | None = flag(None, "USB and battery are kept apart: neither can feed back into the other")
    logic_v: float | None = choice(None, (5.0, 3.3), "supply of the processor", "V")
    servo_fed_by: str | None = choice(None, ("logic", "own", "motor battery"), "what the servos' plus comes from")
    brown_out_v: float | None = choice(None, (4.3, 2.7, 1.8, 0.0), "brown-out level in the fuses; 0: off", "V")
    battery_pin: str | None = text(None, "pin of the battery divider, such as A3", 8)
    battery_divider: float | None = number(None, "", 1, 30, "battery volts per volt at that pin")
    cells: int | None = whole(None, "", 1, 12, "cells of the battery in series")


@dataclass(frozen=True, slots=True)
class RadioFacts:
    """The transceiver module. Its CE, CSN and IRQ are under `pins`; `radio_irq = "none"` where IRQ is not wired."""

    kind: str | None = choice(None, ("plain", "amplified", "none"), "nRF24L01+ without or with an amplifier")
    rail_divider: float | None = number(None, "", 0.5, 10, "volts of its supply per volt at the pin sense_rail")


@dataclass(frozen=True, slots=True)
class SwitchFacts:
    """A push switch."""

    closes_to: str | None = choice(None, ("ground", "supply"), "where it leads when it is pressed")
    pull: str | None = choice(None, ("board", "chip"), "what holds the line otherwise: a resistor, or the chip's own")


@dataclass(frozen=True, slots=True)
class JoystickFacts:
    """Two potentiometers at the pins joy_x and joy_y."""

    x_rises: str | None = choice(None, ("right", "left"), "where joy_x reads more")
    y_rises: str | None = choice(None, ("up", "down"), "where joy_y reads more")


@dataclass(frozen=True, slots=True)
class LedFacts:
    """The LED at the pin led."""

    lights: str | None = choice(None, ("high", "low"), "level of the pin that lights it")
    resistor_ohms: float | None = number(None, "Ω", 10, 100000, "its resistor")
    beside_ma: float | None = number(None, "mA", 0, 5000, "what a lamp or buzzer on the same pin draws besides")


@dataclass(frozen=True, slots=True)
class OutputFacts:
    """What is plugged into a pulse output. An output that is not declared stays silent."""

    drives: str | None = choice(None, ("servo", "motor", "nothing"), "a servo, a motor controller, or an empty header")
    least_us: float | None = number(None, "µs", 500, 1500, "servo: shortest pulse that is safe for its linkage")
    most_us: float | None = number(None, "µs", 1500, 2500, "servo: longest pulse that is safe for its linkage")
    ways: str | None = choice(None, ("one-way", "reversible"), "motor: turns one way, or both")
    idle_us: float | None = number(None, "µs", 800, 1600, "motor: pulse of idle; of a reversible one, of neutral")
    full_us: float | None = number(None, "µs", 1500, 2200, "motor: pulse of full throttle (forwards)")
    place: str | None = text(None, "motor: where it sits on the craft, such as rear left", 40)
    turns: str | None = choice(None, ("clockwise", "anticlockwise"), "motor: seen from where the rotor is")
    start_sound: str | None = text(None, "motor: what its controller sounds when it arms, such as 2 beeps", 60)


@dataclass(frozen=True, slots=True)
class SensorFacts:
    """The inertial sensor on the bus at A4 and A5."""

    fitted: bool | None = flag(None, "false: the board has none")
    address: int | None = choice(None, (0x68, 0x69), "104 (0x68), or 105 (0x69) with AD0 high")
    mount: str | None = choice(None, MOUNTS, "board axis of each sensor axis")


@dataclass(frozen=True, slots=True)
class BoardFacts:
    """One soldered unit, as its owner says it is."""

    label: str = text("", f"its label, at most {MOST_TEXT} bytes", MOST_TEXT)
    processor: str | None = choice(None, ("328P", "328PB"), "ATmega328P or ATmega328PB")
    clock_mhz: int | None = choice(None, (16, 8), "processor clock", "MHz")
    boot_loader_baud: int | None = choice(
        None, (115200, 57600, 38400, 19200, 0), "speed of its boot loader; 0: there is none", "Bd"
    )
    self_stimulus_safe: bool | None = flag(None, "the board may pull its own switch lines low")
    pins: Mapping[str, str] = pins(f'pin of each function, such as led = "D4"; "{NONE}": not wired', FUNCTIONS)
    supply: SupplyFacts = table(SupplyFacts, "how it is fed")
    radio: RadioFacts = table(RadioFacts, "transceiver")
    switch: Mapping[str, SwitchFacts] = named(SwitchFacts, "switches", SWITCHES)
    joystick: JoystickFacts = table(JoystickFacts, "joystick")
    led: LedFacts = table(LedFacts, "LED")
    output: Mapping[str, OutputFacts] = named(OutputFacts, "pulse outputs", PULSES)
    sensor: SensorFacts = table(SensorFacts, "inertial sensor")
    settings: Mapping[str, int | str] = free(
        "stored settings that the owner wants otherwise than the firmware has them",
        tuple(name for name in STORED if name not in _SAID_ELSEWHERE),
    )

    def pin(self, function: str) -> str:
        """Port name of a function's pin; "" where it is not wired or nobody said."""
        found = self.pins.get(function, "")
        return "" if found == NONE else found

    def wired(self) -> dict[str, str]:
        """Function to port name, of those that have a pin."""
        return {function: port for function, port in self.pins.items() if port != NONE}

    def outputs(self) -> Iterator[tuple[int, OutputFacts]]:
        """(channel from 1, facts) of the pulse outputs that have a pin and are declared."""
        for channel, name in enumerate(PULSES, 1):
            if name in self.output and self.pin(name):
                yield channel, self.output[name]


@dataclass(frozen=True, slots=True)
class JumperFacts:
    """A measuring jumper that is plugged: between two boards, or two points of one."""

    start: str = text("", "driving end, as role.function: craft.pulse1", 40, toml="from")
    to: str = text("", "sensing end, as role.function: hand.capture", 40)


@dataclass(frozen=True, slots=True)
class PairSpec:
    """A whole pair, checked. sha256: of the file's bytes. path: where it came from."""

    name: str = text("", "name of the pair; left out: the file's name", 60)
    boards: Mapping[Role, BoardFacts] = named(BoardFacts, "the boards by role", tuple(Role), toml="board")
    jumpers: tuple[JumperFacts, ...] = tables(JumperFacts, "measuring jumpers", toml="jumper")
    sha256: str = ""
    path: str = ""
