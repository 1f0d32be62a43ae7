"""Facts about what hangs on the boards: stick, motor controllers, motors, outputs, sensor."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.facts.base import Fact
from benchctl.terms import Role


@dataclass(frozen=True, slots=True)
class AxesExchanged(Fact):
    """The stick was pushed one way and the other axis moved. pushed: "right" or "up"; moved: "x" or "y"."""

    pushed: str
    moved: str

    def sentence(self) -> str:
        return f"pushing {self.pushed} moves the {self.moved} axis: the two axes are exchanged"


@dataclass(frozen=True, slots=True)
class BeepsUnexpected(Fact):
    """The motor controller's beeps, as a person counted them, are not those of arming."""

    counted: int
    expected: int

    def sentence(self) -> str:
        if self.counted <= 0:
            return (
                "the motor controller gave no beeps: not powered, signal or ground lead off, or it wants a lower idle"
            )
        return (
            f"the motor controller gave {self.counted} beeps, {self.expected} expected: see its manual for what that "
            "means"
        )


@dataclass(frozen=True, slots=True)
class FedBack(Fact):
    """The processor's supply rose when the motors' battery was plugged in beside USB."""

    board: Role
    rise_mv: float

    def sentence(self) -> str:
        return (
            f"the {self.board} board's supply rose by {self.rise_mv:g} mV with the motors' battery: a motor controller "
            "feeds back into USB through its red wire"
        )


@dataclass(frozen=True, slots=True)
class SoundUnexpected(Fact):
    """What the motor controllers gave once armed is not what they gave when it was first recorded."""

    heard: str
    recorded: str

    def sentence(self) -> str:
        return (
            f"the motor controllers gave {self.heard} as they armed, and {self.recorded} when it was first recorded: "
            "another number of cells, other settings, or they lose the pulses; see their manual"
        )


@dataclass(frozen=True, slots=True)
class TurnsAtIdle(Fact):
    """A motor turned on the pulse that is declared as its controller's idle; the pulses were taken away."""

    idle_us: int

    def sentence(self) -> str:
        return (
            f"a motor turned at the idle pulse of {self.idle_us} µs; the pulses have been taken away. Unplug the "
            "motors' battery, then teach the controller its end points (benchctl run teach-motors)"
        )


@dataclass(frozen=True, slots=True)
class MotorElsewhere(Fact):
    """As one output's motor was driven, a motor at another place turned. place: as declared; seen: where one turned."""

    channel: int
    place: str
    seen: str

    def sentence(self) -> str:
        return (
            f"output {self.channel} is declared as the motor at {self.place}, and the motor at {self.seen} turned: "
            f"exchange the signal wires of the two, or correct the pair file; a craft flown so tips over at once"
        )


@dataclass(frozen=True, slots=True)
class MotorTurnsOtherWay(Fact):
    """A motor turns the other way than is declared. declared: clockwise or anticlockwise, seen from its rotor."""

    channel: int
    place: str
    declared: str

    def sentence(self) -> str:
        return (
            f"the motor at {self.place} (output {self.channel}) does not turn {self.declared}: exchange any two of its "
            "three leads, or reverse it in its controller's settings"
        )


@dataclass(frozen=True, slots=True)
class OutputMoves(Fact):
    """An output was tried by a small movement and what moved is not what is declared. seen: servo, motor, nothing."""

    channel: int
    declared: str
    seen: str

    def sentence(self) -> str:
        what = f"output {self.channel}, declared as a {self.declared},"
        if self.seen == "motor":
            return (
                f"a motor moved as {what} was tried: the motors' battery is plugged in, and "
                + ("its controller turns at its idle pulse" if "motor" in self.declared
                   else "a motor controller hangs at a servo's header")
                + "; unplug it, then exchange the headers or correct the pair file"
            )  # fmt: skip
        if self.seen == "servo":
            return f"{what} moved a servo: exchange the headers, or correct the pair file"
        return (
            f"{what} moved nothing: something else hangs there, or nothing, or its servo has no supply, or the pair "
            "file is wrong; it stays silent"
        )


@dataclass(frozen=True, slots=True)
class OutputRestarts(Fact):
    """An output was tried by a small movement and the board restarted. cause: the reset's, in words."""

    board: Role
    channel: int
    declared: str
    cause: str

    def sentence(self) -> str:
        return (
            f"the {self.board} board restarted ({self.cause}) as output {self.channel}, declared as a {self.declared}, "
            "was tried by a small movement: what hangs there takes the processor's supply down; it stays silent"
        )


@dataclass(frozen=True, slots=True)
class SensorAbsent(Fact):
    """No inertial sensor answers at either of its addresses. others: addresses that do answer."""

    others: tuple[int, ...] = ()

    def sentence(self) -> str:
        others = f"; others answer: {', '.join(f'0x{a:02X}' for a in self.others)}" if self.others else ""
        return f"no inertial sensor answers at 0x68 or 0x69{others}: not fitted, without supply, or SDA or SCL is open"


@dataclass(frozen=True, slots=True)
class SensorElsewhere(Fact):
    """The inertial sensor answers at the other of its two addresses than was expected."""

    address: int
    expected: int

    def sentence(self) -> str:
        second = self.address == 0x69
        return (
            f"the inertial sensor answers at its {'second' if second else 'first'} address 0x{self.address:02X} "
            f"(AD0 is {'high' if second else 'low'}), expected 0x{self.expected:02X}: AD0 is not where the drawing "
            "has it"
        )
