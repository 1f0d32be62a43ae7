"""The six lines between the processor's pins and the transceiver, with their soldering faults as numbers.

A faulty SPI is worked out bit by bit (mode 0, high bit first), so that swapped, open and shorted lines give what a
real bus gives. Input levels: nRF24L01+ Product Specification v1.0, Table 4 (0.3 and 0.7 of the supply).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Protocol

from benchctl.errors import UsageError
from benchctl.parts.nrf24 import NOTHING_SENT, Transceiver, Transmission
from benchctl.parts.signal import Signal

#: a joint of so many ohms is open, a leak of so many is none
OPEN_OHMS = 1e6
DRIVER_OHMS = 50.0
LOW, HIGH = 0.3, 0.7  # of the supply
#: `float_level`: the line keeps the last level it had
KEEPS = 2

FROM_PROCESSOR = ("mosi", "sck", "csn", "ce")
FROM_CHIP = ("miso", "irq")
NAMES = FROM_PROCESSOR + FROM_CHIP
_SPI = ("miso", "mosi", "sck", "csn")
#: how a line without a driver reads unless the bench says otherwise: pull-ups where boards have them
_FLOATS = {"mosi": 0, "sck": 0, "csn": 1, "ce": 0, "miso": 1, "irq": 1}


@dataclass(frozen=True)
class LineFault:
    """One pin of the transceiver and its way to the processor; the defaults are a good line.

    series_ohms: 1e6 and more is open. to_ground_ohms, to_supply_ohms: leaks or shorts at the receiving end.
    to_line: the line it is really soldered to ("": its own). bridged_to: a line it is bridged with, low wins.
    float_level: what an undriven line reads, 0, 1 or 2 (keeps the last level); None: 1 for miso, csn and irq, else 0.
    """

    series_ohms: float = 0.0
    to_ground_ohms: float = 1e9
    to_supply_ohms: float = 1e9
    to_line: str = ""
    bridged_to: str = ""
    float_level: int | None = None


@dataclass(frozen=True)
class LinesConfig:
    """The six lines of one transceiver."""

    miso: LineFault = field(default_factory=LineFault)
    mosi: LineFault = field(default_factory=LineFault)
    sck: LineFault = field(default_factory=LineFault)
    csn: LineFault = field(default_factory=LineFault)
    ce: LineFault = field(default_factory=LineFault)
    irq: LineFault = field(default_factory=LineFault)

    def __post_init__(self) -> None:
        for name in NAMES:
            line: LineFault = getattr(self, name)
            for key, other in (("to_line", line.to_line), ("bridged_to", line.bridged_to)):
                if other and other not in NAMES:
                    raise UsageError(f"line {name}: {key} is {other!r}, expected one of {', '.join(NAMES)}")


class Pins(Protocol):
    """What the processor's side of the lines offers; a `Transceiver` has it too."""

    irq: Signal
    current: Signal

    def select(self, time: float) -> int: ...
    def command(self, byte: int, time: float) -> bytes: ...
    def finish(self, data: bytes, time: float) -> None: ...
    def exchange(self, mosi: bytes, time: float) -> bytes: ...
    def set_ce(self, level: float, time: float) -> None: ...
    def power(self, volts: float, time: float) -> None: ...
    def current_ma(self, time: float) -> float: ...
    def works(self, line: str) -> bool: ...
    def transact(self, payload: bytes, time: float, no_ack: bool = False) -> Transmission: ...


def attach(chip: Transceiver, config: LinesConfig | None = None, *, loose: bool = False) -> Pins:
    """The chip behind its lines: the chip itself where all is well, and stays so. loose: a line may open later."""
    config = config or LinesConfig()
    if config == LinesConfig() and chip.config.fitted and not loose:
        return chip
    return Lines(chip, config)


class _Way:
    """One pin: what arrives for a driver at 0, at 1 or not there; None means undefined, the old level stays."""

    def __init__(self, fault: LineFault, name: str) -> None:
        self.target = fault.to_line or name
        self.floats = _FLOATS[name] if fault.float_level is None else fault.float_level
        self._arrives = tuple(self._level(fault, driver) for driver in (0, 1, None))
        #: without a driver it is left to the processor's pull-up
        self.free = fault.float_level is None and min(fault.to_ground_ohms, fault.to_supply_ohms) >= OPEN_OHMS
        self.level = self.floats & 1
        self.carries = self.target == name and self._arrives[:2] == (0, 1)

    def _level(self, fault: LineFault, driver: int | None) -> int | None:
        """Voltage divider of driver, leaks and joint, then the input thresholds."""
        conductances = [(0.0, 1.0 / max(1e-3, fault.to_ground_ohms)), (1.0, 1.0 / max(1e-3, fault.to_supply_ohms))]
        conductances = [(volts, siemens) for volts, siemens in conductances if siemens > 1.0 / OPEN_OHMS]
        if driver is not None and fault.series_ohms < OPEN_OHMS:
            conductances.append((float(driver), 1.0 / (DRIVER_OHMS + fault.series_ohms)))
        if not conductances:
            return None if self.floats == KEEPS else self.floats
        volts = sum(v * g for v, g in conductances) / sum(g for _, g in conductances)
        return 0 if volts <= LOW else 1 if volts >= HIGH else None

    def carry(self, driver: int | None) -> int:
        """The level at the receiving end for this driver."""
        arrives = self._arrives[2 if driver is None else driver]
        if arrives is not None:
            self.level = arrives
        return self.level


class _Slave:
    """The chip's shift register: pin levels in, one MISO bit out. `dry`: look only, change nothing in the chip."""

    def __init__(self, chip: Transceiver) -> None:
        self._chip = chip
        self.csn, self.sck = 1, 0
        self.miso: int | None = None  # None: not driven
        self.dry = False
        self._bits = self._count = 0
        self._out = b""
        self._data = bytearray()

    def state(self) -> tuple[int, int, int | None, int, int, bytes, bytearray]:
        return self.csn, self.sck, self.miso, self._bits, self._count, self._out, bytearray(self._data)

    def restore(self, state: tuple[int, int, int | None, int, int, bytes, bytearray]) -> None:
        self.csn, self.sck, self.miso, self._bits, self._count, self._out, self._data = state

    def pins(self, csn: int, sck: int, mosi: int, time: float) -> None:
        if csn != self.csn:
            self.csn = csn
            self._selected(time) if csn == 0 else self._released(time)
        if sck != self.sck:
            self.sck = sck
            if self.csn == 0:
                self._clock_rises(mosi, time) if sck else self._drive()

    def _selected(self, time: float) -> None:
        self._bits = self._count = 0
        self._data = bytearray()
        self._out = bytes((self._chip.select(time),))
        self._drive()

    def _released(self, time: float) -> None:
        self.miso = None
        if self._data and not self.dry:
            self._chip.command(self._data[0], time)
            self._chip.finish(bytes(self._data[1:]), time)

    def _clock_rises(self, mosi: int, time: float) -> None:
        self._bits = (self._bits << 1 | mosi) & 0xFF
        self._count += 1
        if self._count % 8 == 0:
            if self._count == 8:
                self._out += self._chip.command(self._bits, time)
            if self._count <= 8 * 40:  # no command has more bytes
                self._data.append(self._bits)

    def _drive(self) -> None:
        index, bit = divmod(self._count, 8)
        present = self._out[index] if index < len(self._out) else 0
        self.miso = (present >> (7 - bit) & 1) if self._chip.config.fitted else None


class Lines:
    """The processor's view of a chip behind faulty lines; the same calls as `Transceiver`."""

    def __init__(self, chip: Transceiver, config: LinesConfig) -> None:
        self.chip = chip
        self._config = config
        self._ways = {name: _Way(getattr(config, name), name) for name in NAMES}
        self._bridges = [(name, getattr(config, name).bridged_to) for name in NAMES if getattr(config, name).bridged_to]
        self._spi_good = chip.config.fitted and self._untouched(config)
        self._levels: dict[str, int | None] = {"mosi": 0, "sck": 0, "csn": 1, "ce": 0}  # what the processor drives
        self._slave = _Slave(chip)
        self._byte = 0xFF
        self.current = chip.current
        self.irq = Signal(f"{chip.name} irq line", 1.0)
        chip.irq.connect(lambda level, time: self._settle(time))
        self._settle(chip.agenda.now)

    @staticmethod
    def _untouched(config: LinesConfig) -> bool:
        good = LineFault()
        used = {getattr(config, name).to_line for name in ("ce", "irq")}
        used |= {getattr(config, name).bridged_to for name in ("ce", "irq")}
        return all(getattr(config, name) == good for name in _SPI) and not used & set(_SPI)

    # -- levels -------------------------------------------------------------------------------------------------

    def _lines(self) -> dict[str, int | None]:
        """Level of each of the processor's lines; None where nothing drives it."""
        chip_irq = int(self.chip.irq.level) if self.chip.config.fitted else None
        outputs = {"miso": self._slave.miso, "irq": chip_irq}
        lines: dict[str, int | None] = {**self._levels, "miso": None, "irq": None}
        for name, driven in outputs.items():
            way = self._ways[name]
            if way.target in FROM_CHIP:
                level = way.carry(driven)
                old = lines[way.target]
                lines[way.target] = level if old is None else min(old, level)
        for one, other in self._bridges:
            levels = [level for level in (lines[one], lines[other]) if level is not None]
            if levels:
                lines[one] = lines[other] = min(levels)
        return lines

    def _settle(self, time: float) -> None:
        """Let the levels reach the chip, and the interrupt line the processor."""
        lines = self._lines()
        ways = self._ways
        csn, sck, mosi, ce = (ways[name].carry(lines[ways[name].target]) for name in ("csn", "sck", "mosi", "ce"))
        if not self._spi_good:
            self._slave.pins(csn, sck, mosi, time)
        if not self._slave.dry:
            self.chip.set_ce(ce, time)
            self._tell_irq(self._lines(), time)

    def _tell_irq(self, lines: dict[str, int | None], time: float) -> None:
        """Not a number where nothing drives the line."""
        if lines["irq"] is None and self._ways["irq"].free:
            if not math.isnan(self.irq.level):
                self.irq.set(math.nan, time)
        else:
            self.irq.set(float(self._read("irq", lines)), time)

    def _read(self, name: str, lines: dict[str, int | None]) -> int:
        """What the processor reads on an input; a line with no driver floats."""
        level = lines[name]
        return self._ways[name].carry(None) if level is None else level

    # -- the pins -----------------------------------------------------------------------------------------------

    def set_ce(self, level: float, time: float) -> None:
        self._levels["ce"] = int(level)
        self._settle(time)

    def power(self, volts: float, time: float) -> None:
        self.chip.power(volts, time)

    def current_ma(self, time: float) -> float:
        return self.chip.current_ma(time)

    def works(self, line: str) -> bool:
        """Whether this line carries both levels to its own place, free of others."""
        return self.chip.config.fitted and self._ways[line].carries and not self._meddled(line)

    def _meddled(self, line: str) -> bool:
        others = (name for name in NAMES if name != line)
        bridged = any(line in pair for pair in self._bridges)
        return bridged or any(self._ways[name].target == line for name in others)

    def transact(self, payload: bytes, time: float, no_ack: bool = False) -> Transmission:
        """A send by the chip, if commands and CE reach it. Whether the processor hears of it is `works("irq")`."""
        if all(self.works(line) for line in FROM_PROCESSOR):
            return self.chip.transact(payload, time, no_ack)
        return NOTHING_SENT

    def select(self, time: float) -> int:
        return self.chip.select(time) if self._spi_good else self._look(b"\xff", time)[0]

    def command(self, byte: int, time: float) -> bytes:
        self._byte = byte
        if self._spi_good:
            return self.chip.command(byte, time)
        return self._look(bytes((byte,)) + bytes(32), time)[1:]

    def finish(self, data: bytes, time: float) -> None:
        if self._spi_good:
            self.chip.finish(data, time)
        else:
            self._shift(bytes((self._byte,)) + data, time)

    def exchange(self, mosi: bytes, time: float) -> bytes:
        return self.chip.exchange(mosi, time) if self._spi_good else self._shift(mosi, time)

    def let_go(self, line: str, time: float) -> None:
        """The processor drives this line no more, until its next transaction."""
        self._levels[line] = None
        self._settle(time)

    def open(self, name: str, opened: bool, time: float) -> None:
        """A line's joint opens, or makes contact again."""
        fault: LineFault = getattr(self._config, name)
        self._ways[name] = _Way(replace(fault, series_ohms=2 * OPEN_OHMS) if opened else fault, name)
        self._spi_good = not opened and self.chip.config.fitted and self._untouched(self._config)
        self._settle(time)

    def set_csn(self, level: int, time: float) -> None:
        """The processor drives CSN by itself, outside of a transaction."""
        self._drive(time, csn=level)

    def miso_at(self, csn: int, time: float) -> int | None:
        """What drives the processor's MISO with CSN at this level and the clock at rest; None: nothing."""
        with self._unchanged():
            good, self._spi_good = self._spi_good, False  # also where the bus is sound: level by level
            try:
                self._drive(time, csn=csn)
                return self._lines()["miso"]
            finally:
                self._spi_good = good

    def exchange_by(self, line: str, mosi: bytes, time: float) -> bytes:
        """A transaction for which the processor pulls this line ("ce") low in place of CSN."""
        self._drive(time, **{line: 0})
        answer = bytes(self._shift_byte(byte, time) for byte in mosi)
        self._drive(time, **{line: 1})
        return answer

    def _look(self, mosi: bytes, time: float) -> bytes:
        """What a transaction would read, with nothing changed."""
        with self._unchanged():
            return self._shift(mosi, time)

    @contextmanager
    def _unchanged(self) -> Iterator[None]:
        """What is done meanwhile is looked at only."""
        state, driven = self._slave.state(), dict(self._levels)
        levels = {name: way.level for name, way in self._ways.items()}
        self._slave.dry = True
        try:
            yield
        finally:
            self._slave.dry = False
            self._slave.restore(state)
            self._levels = driven
            for name, level in levels.items():
                self._ways[name].level = level

    def _shift(self, mosi: bytes, time: float) -> bytes:
        """One transaction on the processor's side, bit by bit."""
        self._drive(time, csn=0)
        answer = bytes(self._shift_byte(byte, time) for byte in mosi)
        self._drive(time, csn=1)
        return answer

    def _shift_byte(self, byte: int, time: float) -> int:
        read = 0
        for bit in range(7, -1, -1):
            self._drive(time, mosi=byte >> bit & 1)
            read = read << 1 | self._read("miso", self._lines())
            self._drive(time, sck=1)
            self._drive(time, sck=0)
        return read

    def _drive(self, time: float, **levels: int) -> None:
        self._levels.update(levels)
        self._settle(time)
