"""Facts about the transceiver, its lines and its settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from benchctl.facts.base import Fact
from benchctl.terms import Role


class Line(StrEnum):
    """A transceiver line, or what its test found instead of one broken line."""

    BRIDGED = "bridged"  # two lines joined
    EXCHANGED = "exchanged"  # two lines of the bus exchanged
    SWAPPED = "swapped"  # two lines exchanged that the settings can exchange too
    CSN_LOW = "csn_low"  # CSN held low
    MISO_LOW = "miso_low"  # MISO held low
    SCK = "sck"
    MISO = "miso"
    ABSENT = "absent"  # nothing answers
    MOSI = "mosi"
    SPI = "spi"  # it answers, but not reliably
    IRQ_LOW = "irq_low"  # IRQ held low
    CE = "ce"
    CE_HIGH = "ce_high"  # CE held high
    IRQ = "irq"


_BROKEN: Mapping[Line, str] = {
    Line.BRIDGED: "{swapped} are joined: what is driven on the one is read on the other",
    Line.EXCHANGED: "{swapped} are exchanged: the transceiver's answer is found at the other's pin",
    Line.CSN_LOW: "CSN stays low when nothing drives it: shorted to ground",
    Line.SWAPPED: "{swapped} are swapped: with the two exchanged the transceiver answers",
    Line.MISO_LOW: "MISO is held low even while the transceiver is not selected: shorted to ground, or CSN never "
    "rises there",
    Line.SCK: "the transceiver drives MISO when selected but never shifts: SCK does not reach it",
    Line.MISO: "the transceiver obeys (its IRQ falls) but cannot be read: MISO does not reach the processor",
    Line.ABSENT: "no transceiver answers: not fitted, without supply, or its CSN line is open",
    Line.MOSI: "the transceiver answers with a good STATUS but takes no command: MOSI does not reach it",
    Line.SPI: "the transceiver answers but {wrong_bits} of {bits} bits read back wrong: a bad joint on SCK, MOSI or "
    "MISO, or a weak supply",
    Line.IRQ_LOW: "IRQ is held low with no interrupt pending: shorted to ground",
    Line.CE: "registers are right but nothing is ever sent: CE does not reach the transceiver",
    Line.CE_HIGH: "it sends although CE is driven low: CE is shorted to the supply, or joined to a line that is high",
    Line.IRQ: "the transceiver reports its interrupt in STATUS but the pin stays high: IRQ does not reach the "
    "processor",
}


@dataclass(frozen=True, slots=True)
class LineBroken(Fact):
    """The test of the transceiver's lines found one broken.

    swapped: the two lines that are exchanged or joined, as "CE and CSN". wrong_bits of bits read back wrong.
    """

    board: Role
    line: Line
    swapped: str = ""
    wrong_bits: int = 0
    bits: int = 0

    @property
    def two(self) -> tuple[str, str] | None:
        """The two lines that are exchanged or joined, as names in `HEADER`; None where it is one."""
        one, _, other = self.swapped.partition(" and ")
        return (one, other) if other else None

    def sentence(self) -> str:
        text = _BROKEN[self.line].format(swapped=self.swapped, wrong_bits=self.wrong_bits, bits=self.bits)
        return f"{self.board}: {text}"


#: pins of the transceiver's header of two by four, as modules with the nRF24L01+ have it (common practice, no source)
HEADER = {"CE": 3, "CSN": 4, "SCK": 5, "MOSI": 6, "MISO": 7, "IRQ": 8}


@dataclass(frozen=True, slots=True)
class ModuleWired(Fact):
    """Where the owner has the transceiver's lines at the processor, by the names on the board; "" where unknown."""

    board: Role
    ce: str
    csn: str
    irq: str

    def wire(self, line: str) -> str:
        """A line with both ends: "CSN, from D10 to the module's pin 4"."""
        at = {"CE": self.ce, "CSN": self.csn, "IRQ": self.irq, "SCK": "D13", "MOSI": "D11", "MISO": "D12"}[line]
        return f"{line}, {f'from {at} ' if at else ''}to the module's pin {HEADER[line]}"

    def sentence(self) -> str:
        return f"{self.board}: {self.wire('CE')}; {self.wire('CSN')}"


@dataclass(frozen=True, slots=True)
class ComesAndGoes(Fact):
    """A line of the transceiver seemed broken in one look and whole in the next."""

    board: Role
    line: Line

    def sentence(self) -> str:
        return f"{self.board}: the transceiver comes and goes: line {self.line} seemed broken, then was not"


class Variant(StrEnum):
    """What kind of transceiver it behaves as."""

    PLUS = "plus"
    COPY = "copy"
    OLDER = "older"


_VARIANTS: Mapping[Variant, str] = {
    Variant.PLUS: "an nRF24L01+",
    Variant.COPY: "a copy of the nRF24L01+",
    Variant.OLDER: "an older nRF24L01, without 250 kbps",
}


@dataclass(frozen=True, slots=True)
class VariantFound(Fact):
    """By its registers the transceiver behaves as this variant."""

    board: Role
    variant: Variant

    def sentence(self) -> str:
        return f"{self.board}: transceiver behaves as {_VARIANTS[self.variant]}"


@dataclass(frozen=True, slots=True)
class SettingsRefused(Fact):
    """At rest, with no load switched, the transceiver does not take its settings. left_out: what was not done then."""

    board: Role
    left_out: str = ""

    def sentence(self) -> str:
        left_out = f"; {self.left_out} left out" if self.left_out else ""
        return f"{self.board}: the transceiver does not take its settings{left_out}"


@dataclass(frozen=True, slots=True)
class SettingsNotHeld(Fact):
    """Registers of the transceiver read otherwise than they were written a moment before."""

    board: Role
    registers: int

    def sentence(self) -> str:
        return f"the {self.board} board's transceiver does not hold its settings ({self.registers} registers differ)"


@dataclass(frozen=True, slots=True)
class AcknowledgementsMissing(Fact):
    """Both ways packets that ask to be acknowledged arrive, and their senders never hear that they did.

    arrived, confirmed: of the packets sent, in percent, the worse and the better direction.
    """

    arrived: float
    confirmed: float

    def sentence(self) -> str:
        return (
            f"packets that ask for an acknowledgement arrive both ways ({self.arrived:.0f} % at least), and at most "
            f"{self.confirmed:.0f} % of them are acknowledged: the two transceivers take the no-acknowledge bit "
            f"differently"
        )


@dataclass(frozen=True, slots=True)
class SettingDiffers(Fact):
    """A radio setting that must be the same on both boards is not. hand, craft: as shown to people."""

    setting: str
    hand: str
    craft: str

    def sentence(self) -> str:
        return f"{self.setting}: hand {self.hand}, craft {self.craft}"
