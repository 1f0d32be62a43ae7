"""What a board says when it starts, in words; and the check that it speaks our protocol."""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.errors import WrongDevice
from benchctl.shipped import KINDS, kind_for
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import PROTOCOL, CauseFrom, ResetCause, name_of

_CAUSES: dict[int, str] = {
    ResetCause.UNKNOWN: "unknown",
    ResetCause.POWER_ON: "power on",
    ResetCause.EXTERNAL: "reset line",
    ResetCause.BROWN_OUT: "brown-out",
    ResetCause.WATCHDOG: "watchdog",
    ResetCause.REQUESTED: "requested",
    ResetCause.STACK: "stack overflow",
}
#: start-up of the slowest oscillator, and of the probe; what takes longer is a boot loader that waits
LEAST_WAIT_S = 0.3
_ROLES = (Role.HAND, Role.CRAFT, Role.GAUGE)
#: firmware numbers from here on: somebody's own sketch with the probe's library in it (firmware_probe/marks)
OWN_SKETCH = 0x8000
_OWN = "own "


def cause_name(code: int) -> str:
    """The reset cause in words; a code of a newer firmware is "unknown"."""
    return _CAUSES.get(code, "unknown")


def source_name(code: int) -> str:
    """Where the cause was learnt: "flags", "loader", "inferred", "nothing"."""
    return name_of(CauseFrom, code)


def likely_cause(boot: msg.Boot, pulled: bool, silence_s: float, loader_s: float | None) -> str:
    """The reset cause in words: the chip's own, or else what the host can tell when the boot loader hid the flags.

    pulled: the host has just pulled the reset line. silence_s: between the last that was heard and the boot message.
    loader_s: how long the board took to start when the host pulled the line, if it ever did. Loaders that clear the
    flags wait for a programmer after the reset line and start the program at once after all else; so a quick start
    of a chip whose memory was kept, and whose main loop came round to the end, leaves a brief dip of the supply.
    """
    known = cause_name(boot.cause)
    if boot.cause_from != CauseFrom.NOTHING:
        return known
    if pulled:
        return cause_name(ResetCause.EXTERNAL)
    if loader_s is not None and loader_s > LEAST_WAIT_S and silence_s < loader_s / 2:
        return cause_name(ResetCause.BROWN_OUT)
    return known


def role_of(code: int) -> Role | None:
    return _ROLES[code] if code < len(_ROLES) else None


@dataclass(frozen=True, slots=True)
class Identity:
    """What `identify` answered, as values for people. image_crc is "" while the board still computes it.

    own: somebody's own sketch with the probe in it; firmware is then the probe's version, as "own 1.0". image: for
    which boards, "pair" or "gauge". fuses: as `analysis.fuses.fuses` takes them.
    """

    protocol: int
    firmware: str
    image_crc: str
    role: Role | None
    label: str
    clock_hz: int
    boots: int
    cause: str
    cause_from: str
    mcusr: int
    stack_free: int
    settings_ok: bool
    signature: bytes
    own: bool = False
    clock_ok: bool = True
    image: str = KINDS[0]
    fuses: bytes = b""

    def wrong_image(self, role: Role) -> str:
        """What to do when the board carries the image of other boards than those of the role; "" when it does not."""
        if self.own or self.image == kind_for(role):
            return ""
        return f"wrong image: it carries the one for a {self.image} board; flash with --role {role}"

    @property
    def true_mhz(self) -> int:
        """The clock that the chip runs at, of the two that there are images for."""
        built = round(self.clock_hz / 1e6)
        return built if self.clock_ok else {16: 8}.get(built, 16)

    @property
    def wrong_clock(self) -> str:
        """What to do when the chip runs at another clock than its image was built for; "" when it does not."""
        if self.clock_ok:
            return ""
        return (
            f"wrong image: it was built for {self.clock_hz / 1e6:g} MHz, and the chip runs at another clock; "
            f"it makes no pulse; flash with --mhz {self.true_mhz}"
        )


def firmware_name(number: int) -> str:
    """The firmware's version in words."""
    own, version = number & OWN_SKETCH, number & ~OWN_SKETCH
    return f"{_OWN if own else ''}{version >> 8}.{version & 0xFF}"


def is_own_sketch(firmware: str) -> bool:
    """Whether a firmware's name is that of somebody's own sketch with the probe in it."""
    return firmware.startswith(_OWN)


def identity(answer: msg.IdentifyAnswer) -> Identity:
    """The identity in an `identify` answer."""
    crc = answer.image_crc
    return Identity(
        answer.protocol,
        firmware_name(answer.firmware),
        f"{crc:08x}" if crc else "",
        role_of(answer.role),
        answer.label,
        answer.clock_hz,
        answer.boot_count,
        cause_name(answer.cause),
        source_name(answer.cause_from),
        answer.mcusr,
        answer.stack_free,
        bool(answer.settings_ok),
        answer.signature,
        bool(answer.firmware & OWN_SKETCH),
        bool(answer.clock_ok),
        KINDS[answer.image % len(KINDS)],
        answer.fuses,
    )


def check_protocol(port: str, protocol: int) -> None:
    """Raises WrongDevice, with what to do, when the board's protocol is not ours."""
    if protocol != PROTOCOL:
        older = "older" if protocol < PROTOCOL else "newer"
        todo = f"flash it with `benchctl flash {port}`" if protocol < PROTOCOL else "update benchctl"
        raise WrongDevice(
            f"{port}: the board's firmware speaks protocol {protocol}, {older} than ours ({PROTOCOL}); {todo}"
        )
