"""A chip's pins connected to parts: levels to signals and back, voltages, buses. Knows no particular part."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.avr.chip import SUPPLY, Chip, Drive, Line, SpiDevice, TwiDevice
from benchctl.errors import UsageError
from benchctl.parts.signal import Signal
from benchctl.parts.switch import LET_GO


def pin_name(code: int) -> str:
    """The name of a pin by its code, port in the upper half (B=1, C=2, D=3): 0x34 is "PD4", 0x46 is "ADC6"."""
    port, bit = code >> 4, code & 0x0F
    if port in (1, 2, 3) and bit < 8:
        return f"P{' BCD'[port]}{bit}"
    if port == 4 and bit in (6, 7):
        return f"ADC{bit}"
    raise UsageError(f"pin code 0x{code:02x}: expected 0x10 to 0x37, 0x46 or 0x47")


def adc_channel(pin: str) -> int:
    """ADC channel of "PC0" to "PC5", "ADC6" or "ADC7"."""
    for prefix, channels in (("PC", "012345"), ("ADC", "01234567")):
        if pin.startswith(prefix) and len(pin) == len(prefix) + 1 and pin[-1] in channels:
            return int(pin[-1])
    raise UsageError(f"pin {pin!r} has no ADC channel: expected PC0 to PC5, ADC6 or ADC7")


def _line(level: float) -> Line:
    if level != level:  # not a number: nobody drives the line
        return Line.RESTS_LOW  # leakage, where the chip's pull-up does not hold it
    return Line.HIGH if level >= 0.5 else Line.LOW


class Wiring:
    """What hangs on one chip."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip

    def connect_output(self, pin: str, signal: Signal, idle: int = 0) -> None:
        """The level that the chip drives goes to `signal`; idle: what the line falls to when it does not.

        The chip's pull-up drives nothing, as on `sim`.
        """

        driven = {Drive.LOW: 0.0, Drive.HIGH: 1.0}
        self.chip.drive(pin, Line.RESTS_HIGH if idle else Line.RESTS_LOW, 0.0)
        signal.set(float(self.chip.level(pin) if self.chip.driven(pin) else idle), 0.0)
        self.chip.watch_drive(pin, lambda drive, time: signal.set(driven.get(drive, float(idle)), time))

    def connect_input(self, pin: str, signal: Signal, late: float = 0.0) -> None:
        """`signal` (0.0, 1.0, NaN for nobody) drives the pin.

        late: seconds by which edges arrive later; the slice where another chip makes them, so that none comes after
        its time and all are late alike.
        """
        self.chip.drive(pin, _line(signal.level), 0.0)
        signal.connect(lambda level, time: self.chip.drive(pin, _line(level), time + late))

    def connect_open_drain(
        self,
        pin: str,
        pull: Signal,
        line: Signal,
        set_pull_up: Callable[[bool, float], object] | None = None,
        late: float = 0.0,
    ) -> None:
        """A line that the chip drives at times: `pull` is its level then, else LET_GO; `line` is what the pin reads.

        set_pull_up(on, time): told of the chip's own pull-up.
        """

        def driven(drive: Drive, time: float) -> None:
            if set_pull_up is not None:
                set_pull_up(drive is Drive.INPUT_PULLED_UP, time)
            pull.set({Drive.LOW: 0.0, Drive.HIGH: 1.0}.get(drive, LET_GO), time)

        self.chip.watch_drive(pin, driven)
        self.connect_input(pin, line, late)

    def connect_analog(self, channel: int, volts: Callable[[float], float]) -> None:
        """volts(time) at an ADC channel, asked when the converter samples."""
        self.chip.ask_volts(channel, volts)

    def connect_supply(self, volts: Callable[[float], float]) -> None:
        """volts(time) of the processor's supply: the converter's reference."""
        self.chip.ask_volts(SUPPLY, volts)

    def connect_spi(self, device: SpiDevice, csn_pin: str) -> None:
        """A device behind a chip select, which is pulled up."""
        self.chip.drive(csn_pin, Line.PULLED_UP, 0.0)
        self.chip.connect_spi(device, csn_pin)

    def connect_twi(self, device: TwiDevice) -> None:
        self.chip.connect_twi(device)
