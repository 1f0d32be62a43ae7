"""Facts about a board as such: what it answers, its supply, its joints, what brings trouble."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from benchctl.facts.base import Fact
from benchctl.terms import Role, readable


@dataclass(frozen=True, slots=True)
class BoardSilent(Fact):
    """A board that had answered before did not answer a request, repeats included."""

    board: Role
    request: str

    def sentence(self) -> str:
        return f"the {self.board} board did not answer “{readable(self.request)}”"


@dataclass(frozen=True, slots=True)
class RequestRefused(Fact):
    """A board answered a request with an error. code: its name in the catalogue of messages."""

    board: Role
    request: str
    code: str

    def sentence(self) -> str:
        return f"the {self.board} board refused “{readable(self.request)}”: {self.code}"


class HuntedLoad(StrEnum):
    """A load that the hunt switches."""

    TRANSMIT = "transmit"
    LED = "led"
    SERVO = "servo"
    MOTOR_IDLE = "motor_idle"

    @property
    def words(self) -> str:
        return _LOADS[self]


_LOADS: Mapping[HuntedLoad, str] = {
    HuntedLoad.TRANSMIT: "full transmit power",
    HuntedLoad.LED: "the LED",
    HuntedLoad.SERVO: "the servo",
    HuntedLoad.MOTOR_IDLE: "the motor's idle pulse",
}


@dataclass(frozen=True, slots=True)
class TriggerFound(Fact):
    """Resets or lost settings come with these loads together.

    with_it of n_with trials with them had trouble, without of n_without trials without. chance: that it is by
    chance. error: chance in % that the hunt names a load without part in the trouble.
    """

    board: Role
    loads: tuple[HuntedLoad, ...]
    with_it: int
    n_with: int
    without: int
    n_without: int
    chance: float
    error: float = 1.0

    def sentence(self) -> str:
        names = " and ".join(load.words for load in self.loads)
        return (
            f"{self.board}: trouble comes with {names}: {self.with_it} of {self.n_with} trials with, "
            f"{self.without} of {self.n_without} without "
            f"(chance {self.chance:.1g}; a load without part is named in at most {self.error:g} %)"
        )


@dataclass(frozen=True, slots=True)
class TriggerUnknown(Fact):
    """There were resets or lost settings in the hunt, and no load or pair of loads explains them."""

    board: Role
    trials: int

    def sentence(self) -> str:
        return f"{self.board}: trouble that no load or pair of loads explains after {self.trials} trials"


class Part(StrEnum):
    """A part that a person presses."""

    SUPPLY = "supply"
    TRANSCEIVER = "transceiver"
    JOYSTICK = "joystick"
    SENSOR = "sensor"

    @property
    def words(self) -> str:
        return _PARTS[self]


_PARTS: Mapping[Part, str] = {
    Part.SUPPLY: "the supply's plug, switch and regulator",
    Part.TRANSCEIVER: "the transceiver's module, at each side of its header",
    Part.JOYSTICK: "the joints of the joystick (without moving the stick)",
    Part.SENSOR: "the inertial sensor",
}


class Shows(StrEnum):
    """What is seen of a joint that makes contact now and then."""

    SETTINGS = "settings"
    LINES = "lines"
    RESTART = "restart"
    STICK = "stick"
    SENSOR = "sensor"

    @property
    def words(self) -> str:
        return _SHOWS[self][0]

    @property
    def joint(self) -> str:
        """Where it is, for the one who solders."""
        return _SHOWS[self][1]


_SHOWS: Mapping[Shows, tuple[str, str]] = {
    Shows.SETTINGS: ("the transceiver lost its settings", "the module's supply joints, VCC (pin 2) and GND (pin 1)"),
    Shows.LINES: ("the transceiver's bus failed", "the module's joints of CSN, SCK, MOSI and MISO (pins 4 to 7)"),
    Shows.RESTART: ("the board restarted", "the joints of the processor's supply"),
    Shows.STICK: ("the stick at rest went adrift", "the joystick's wiper joints"),
    Shows.SENSOR: ("the sensor did not answer", "the sensor's supply, SDA and SCL"),
}


@dataclass(frozen=True, slots=True)
class JointLoose(Fact):
    """While a part was pressed something failed, again and again, that did not while nobody touched the board."""

    board: Role
    part: Part
    shows: Shows
    times: int
    untouched: int

    def sentence(self) -> str:
        return (
            f"{self.board}: with {self.part.words} pressed, {self.shows.words} {self.times} times "
            f"(untouched {self.untouched}): a joint there makes contact now and then; look at {self.shows.joint}"
        )


@dataclass(frozen=True, slots=True)
class SupplyDeclared(Fact):
    """What its owner says the processor's supply is meant to be, in V."""

    board: Role
    volts: float

    def sentence(self) -> str:
        return f"{self.board}: its processor is declared to run on {self.volts:g} V"
