"""One ATmega328P running an image: its pins, buses, converter, EEPROM and resets as Python sees them.

Times are true seconds of the bench. Source of the register map and of every timing: data sheet Atmel 7810D.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from enum import IntEnum, IntFlag
from pathlib import Path
from typing import Any, Protocol

from benchctl.avr.build_shim import load
from benchctl.avr.image import FLASH_SIZE, read_image
from benchctl.errors import BoardError, UsageError
from benchctl.parts.oscillator import Oscillator, OscillatorConfig

EEPROM_SIZE = 1024
RAM_START, RAM_END = 0x100, 0x900
BAND_GAP, SUPPLY = 14, 16  # channels that are no pins
#: start-up of a crystal after a reset: 16K clock cycles, 14 more and 65 ms (data sheet table "Start-up Times")
START_UP_S = 0.065
_CHUNK = 4096


class Line(IntEnum):
    """What is outside of a pin: driven low or high, nothing, a resistor of some kΩ, or only a part's input, on which
    the line rests unless the chip's pull-up holds it."""

    LOW = 0
    HIGH = 1
    FLOATS = 2
    PULLED_DOWN = 3
    PULLED_UP = 4
    RESTS_LOW = 5
    RESTS_HIGH = 6


class Drive(IntEnum):
    """What the chip does with a pin."""

    LOW = 0
    HIGH = 1
    INPUT = 2
    INPUT_PULLED_UP = 3


class Reset(IntFlag):
    """Reset causes as the bits of MCUSR."""

    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8


class SpiDevice(Protocol):
    """A device with a chip select, as `parts.nrf24.Transceiver`."""

    def select(self, time: float) -> int:
        """CSN falls. Returns the byte that MISO gives first."""

    def command(self, byte: int, time: float) -> bytes:
        """The first byte has come. Returns the bytes that follow on MISO."""

    def finish(self, data: bytes, time: float) -> None:
        """CSN rises; `data` is what came after the first byte."""


class TwiDevice(Protocol):
    """Everything that hangs on the two wires, as `parts.imu.Imu`; `start` and `write` tell of the acknowledgement."""

    def start(self, address: int, read: bool) -> bool:
        """A start and an address. Whether the device acknowledges."""

    def write(self, byte: int) -> bool:
        """A byte for the device. Whether it acknowledges."""

    def read(self) -> int:
        """The device's next byte."""

    def stop(self) -> None:
        """A stop on the bus."""


def pin_number(name: str) -> int:
    """ "PD4" as the index that the C layer uses. Raises UsageError for anything but PB0 to PD7."""
    if len(name) == 3 and name[0] == "P" and name[1] in "BCD" and name[2] in "01234567":
        return 8 * "BCD".index(name[1]) + int(name[2])
    raise UsageError(f"pin {name!r}: expected PB0 to PB7, PC0 to PC6 or PD0 to PD7")


#: "rjmp to itself"
_HERE = b"\xff\xcf"


class Chip:
    """A chip without supply until `release(Reset.POWER_ON)`.

    image: path of an Intel HEX or ELF file, or the flash contents from address 0.
    f_cpu: nominal cycles per second. oscillator: its error; none for a perfect clock.
    chance: gives the RAM contents after power-on. start_up_s: from the end of a reset to the first instruction.
    on_reset: told the cause and time of every reset that happens.
    """

    def __init__(
        self,
        image: str | Path | bytes,
        f_cpu: float = 16e6,
        oscillator: Oscillator | None = None,
        *,
        label: str = "board",
        chance: random.Random | None = None,
        start_up_s: float = START_UP_S,
    ) -> None:
        module = load()
        self._lib, self._ffi = module.lib, module.ffi
        _bind(module)
        self.label = label
        self.f_cpu = f_cpu
        self.oscillator = oscillator or Oscillator(OscillatorConfig())
        self.failure: BaseException | None = None
        self.on_reset: Callable[[Reset, float], object] | None = None
        self.entered: Callable[[float], object] | None = None
        self._chance = chance or random.Random(0)
        self._watchers: dict[int, list[Callable[[int, float], object]]] = {}
        self._drivers: dict[int, list[Callable[[Drive, float], object]]] = {}
        self._analog: dict[int, Callable[[float], float]] = {}
        self._spi: SpiDevice | None = None
        self._spi_bytes: Callable[[int, float], int] | None = None
        self._twi: TwiDevice | None = None
        self._handle = self._ffi.new_handle(self)
        self.c = self._lib.chip_new(self._handle, f_cpu)
        if self.c == self._ffi.NULL:
            raise UsageError("no room for another simulated chip")
        self.image = image if isinstance(image, bytes) else read_image(image)
        self._lib.chip_load(self.c, self.image.ljust(FLASH_SIZE, b"\xff"), FLASH_SIZE)
        self._lib.chip_start_delay(self.c, round(start_up_s * f_cpu))
        self._bytes = self._ffi.new(f"uint8_t[{_CHUNK}]")
        self._cycles = self._ffi.new(f"uint64_t[{_CHUNK}]")
        self._answer = self._lib.chip_spi_answer(self.c)
        self._got = self._lib.chip_spi_got(self.c)
        self.baud = 500_000.0
        self._hz = 0.0
        self.retune(0.0)

    def close(self) -> None:
        """Give the chip's memory back; may be called twice."""
        if self.c:
            self._lib.chip_free(self.c)
            self.c = None

    # ---- time

    def retune(self, time: float, span: float = 0.01) -> None:
        """From `time` on run at the oscillator's mean rate over the next `span` seconds."""
        o = self.oscillator
        hz = self.f_cpu * (o.ticks(time + span) - o.ticks(time)) / (span * o.nominal_hz)
        if hz != self._hz:
            self._hz = hz
            self._lib.chip_rate(self.c, time, hz)
            self._lib.chip_line(self.c, hz / self.baud)

    def cycle_of(self, time: float) -> int:
        """The chip's cycle at a bench time in seconds."""
        return int(self._lib.cycle_of(self.c, time))

    def time_of(self, cycle: int) -> float:
        """The bench time in seconds of a cycle."""
        return float(self._lib.time_of(self.c, cycle))

    @property
    def cycle(self) -> int:
        """Cycles since the chip was made."""
        return int(self._lib.chip_cycle(self.c))

    # ---- supply and resets

    def hold_reset(self) -> None:
        """Reset line low, or brown-out: every pin floats and nothing runs until `release`."""
        self._lib.chip_hold(self.c)

    def release(self, cause: Reset) -> None:
        """Start anew. A power-on leaves chance contents in RAM; every other cause keeps it."""
        if cause is Reset.POWER_ON:
            ram = self._ffi.buffer(self._lib.chip_data(self.c) + RAM_START, RAM_END - RAM_START)
            ram[:] = self._chance.randbytes(RAM_END - RAM_START)
        self._lib.chip_release(self.c, int(cause))

    @property
    def held(self) -> bool:
        """Whether the chip is held in reset."""
        return bool(self._lib.chip_held(self.c))

    def hang(self) -> Callable[[], None]:
        """Have the program come round no further than where it is; returns what lets it go on again."""
        flash, at = self._lib.chip_flash(self.c), self._lib.chip_pc(self.c)
        kept = bytes(self._ffi.buffer(flash + at, len(_HERE)))
        self._ffi.buffer(flash + at, len(_HERE))[:] = _HERE

        def go_on() -> None:
            self._ffi.buffer(flash + at, len(_HERE))[:] = kept

        return go_on

    def resets(self, cause: Reset) -> int:
        """How often the chip has been reset by this cause."""
        return int(self._lib.chip_resets(self.c, int(cause).bit_length() - 1))

    def check(self) -> None:
        """Raise what a part raised inside a call from the chip, or BoardError when the program has crashed."""
        if self.failure is not None:
            failure, self.failure = self.failure, None
            raise failure
        if self._lib.chip_crashed(self.c):
            pc = self._lib.chip_crash_pc(self.c)
            raise BoardError(f"{self.label}: the program crashed at flash address 0x{pc:04x}")

    # ---- memory

    @property
    def ram(self) -> Any:
        """Data memory with registers and RAM, as a writable buffer indexed by data address."""
        return self._ffi.buffer(self._lib.chip_data(self.c), RAM_END)

    @property
    def flash(self) -> bytes:
        """What is in flash now, self-programming included."""
        return bytes(self._ffi.buffer(self._lib.chip_flash(self.c), FLASH_SIZE))

    def set_fuses(self, low: int, high: int, extended: int, lock: int = 0xFF) -> None:
        """What the program reads of them; nothing else follows from them here."""
        self._lib.chip_fuses(self.c, bytes((low, lock, extended, high)))

    @property
    def eeprom(self) -> bytes:
        """The whole EEPROM as it is now."""
        return bytes(self._ffi.buffer(self._lib.chip_eeprom(self.c), EEPROM_SIZE))

    def write_eeprom(self, data: bytes, offset: int = 0) -> None:
        """Set EEPROM contents from outside, as a programmer would."""
        if offset + len(data) > EEPROM_SIZE:
            raise UsageError(f"{len(data)} bytes at {offset} do not fit the EEPROM of {EEPROM_SIZE}")
        self._ffi.memmove(self._lib.chip_eeprom(self.c) + offset, data, len(data))

    @property
    def eeprom_writes(self) -> int:
        """Bytes the program has written or erased since the chip was made."""
        return int(self._lib.chip_eeprom_writes(self.c))

    # ---- serial line

    def set_baud(self, baud: float) -> None:
        """The host's baud rate; the chip's own follows from its registers and its clock."""
        self.baud = baud
        self._lib.chip_line(self.c, self._hz / baud)

    def send(self, data: bytes, time: float) -> int:
        """Bytes on the host's line from `time`, one a byte-time; returns how many found room."""
        return int(self._lib.chip_send(self.c, data, len(data), (time - self.time_of(0)) * self._hz))

    def send_first(self, data: bytes, time: float) -> int:
        """The same ahead of everything whose transmission has not begun."""
        return int(self._lib.chip_send_first(self.c, data, len(data), (time - self.time_of(0)) * self._hz))

    def waiting(self) -> int:
        """Bytes on their way to the UART."""
        return int(self._lib.chip_waiting(self.c))

    def receive(self) -> list[tuple[bytes, float]]:
        """All bytes that the chip has sent, each with the time of its end."""
        out = []
        while n := self._lib.chip_receive(self.c, self._bytes, self._cycles, _CHUNK):
            out += [(bytes([self._bytes[i]]), self.time_of(self._cycles[i])) for i in range(n)]
        return out

    def receive_bytes(self) -> bytes:
        """The same without the times."""
        return self.receive_until()[0]

    def receive_until(self) -> tuple[bytes, float]:
        """The same with the time of the last byte's end only, which is 0 when there is none."""
        out, last = b"", 0.0
        while n := self._lib.chip_receive(self.c, self._bytes, self._cycles, _CHUNK):
            out += bytes(self._ffi.buffer(self._bytes, n))
            last = self.time_of(self._cycles[n - 1])
        return out, last

    @property
    def overruns(self) -> int:
        """Bytes the program did not fetch in time."""
        return int(self._lib.chip_overruns(self.c))

    # ---- pins

    def drive(self, pin: str, line: Line | int, time: float) -> None:
        """What is outside of a pin from `time` on."""
        self._lib.chip_drive(self.c, pin_number(pin), int(line), self.cycle_of(time))

    def watch(self, pin: str, listener: Callable[[int, float], object]) -> None:
        """`listener(level, time)` hears every change of the level on a pin."""
        number = pin_number(pin)
        self._watchers.setdefault(number, []).append(listener)
        self._lib.chip_watch(self.c, number, 1)

    def watch_drive(self, pin: str, listener: Callable[[Drive, float], object]) -> None:
        """`listener(drive, time)` hears every change of what the chip does with a pin; open drains need it."""
        number = pin_number(pin)
        self._drivers.setdefault(number, []).append(listener)
        self._lib.chip_watch(self.c, number, 8)

    def wire(self, pin: str, other: Chip, other_pin: str) -> None:
        """A jumper: the level of this pin drives the other chip's pin (or one of the same chip)."""
        if not self._lib.chip_wire(self.c, pin_number(pin), other.c, pin_number(other_pin)):
            raise UsageError(f"{self.label}: more than 16 jumpers")

    def level(self, pin: str) -> int:
        """Level of a pin as the chip drives or sees it."""
        return int(self._lib.chip_level(self.c, pin_number(pin)))

    def driven(self, pin: str) -> bool:
        """Whether the chip drives the pin, as it last changed or was asked to."""
        return bool(self._lib.chip_driven(self.c, pin_number(pin)))

    # ---- analog

    def set_volts(self, channel: int, volts: float) -> None:
        """A steady voltage at ADC channel 0 to 7, at the band gap (BAND_GAP) or of the supply (SUPPLY)."""
        self._lib.chip_volts(self.c, channel, volts)

    def ask_volts(self, channel: int, volts: Callable[[float], float]) -> None:
        """The voltage is worked out at each sample: volts(time)."""
        self._analog[channel] = volts
        self._lib.chip_volts_from_python(self.c, channel)

    # ---- buses

    def connect_spi(self, device: SpiDevice, csn_pin: str) -> None:
        """A device behind a chip select."""
        self._spi = device
        self._lib.chip_spi_csn(self.c, pin_number(csn_pin))

    def connect_spi_bytes(self, answer: Callable[[int, float], int]) -> None:
        """A device without a chip select: answer(byte, time) is what comes in with each byte that goes out."""
        self._spi_bytes = answer
        self._lib.chip_spi_per_byte(self.c)

    @property
    def spi_bytes(self) -> int:
        """Bytes exchanged so far."""
        return int(self._lib.chip_spi_bytes(self.c))

    def connect_twi(self, device: TwiDevice) -> None:
        """Put a device on the two-wire bus."""
        self._twi = device

    # ---- calls from the C layer

    def _enter(self, cycle: int) -> float:
        time = self.time_of(cycle)
        if self.entered is not None:
            self.entered(time)
        return time

    def _pin(self, pin: int, level: int, cycle: int) -> None:
        time = self._enter(cycle)
        for listener in self._watchers[pin]:
            listener(level, time)

    def _drive(self, pin: int, what: int, cycle: int) -> None:
        time = self._enter(cycle)
        for listener in self._drivers[pin]:
            listener(Drive(what), time)

    def _spi_select(self, cycle: int) -> int:
        return self._spi.select(self._enter(cycle)) if self._spi else 0xFF

    def _spi_command(self, byte: int, cycle: int) -> int:
        if self._spi is None:
            return 0
        answer = self._spi.command(byte, self._enter(cycle))[:64]
        self._ffi.memmove(self._answer, answer, len(answer))
        return len(answer)

    def _spi_finish(self, cycle: int) -> None:
        if self._spi is not None:
            data = bytes(self._ffi.buffer(self._got, self._lib.chip_spi_got_size(self.c)))
            self._spi.finish(data, self._enter(cycle))

    def _spi_byte(self, byte: int, cycle: int) -> int:
        return self._spi_bytes(byte, self._enter(cycle)) if self._spi_bytes else 0xFF

    def _twi_start(self, address: int, reading: int, cycle: int) -> int:
        self._enter(cycle)
        return bool(self._twi and self._twi.start(address, bool(reading)))

    def _twi_write(self, byte: int, cycle: int) -> int:
        self._enter(cycle)
        return bool(self._twi and self._twi.write(byte))

    def _twi_read(self, acknowledge: int, cycle: int) -> int:
        self._enter(cycle)
        return self._twi.read() if self._twi else 0xFF

    def _twi_stop(self, cycle: int) -> None:
        self._enter(cycle)
        if self._twi is not None:
            self._twi.stop()

    def _adc(self, channel: int, cycle: int) -> float:
        return self._analog[channel](self._enter(cycle))

    def _reset(self, flag: int, cycle: int) -> None:
        if self.on_reset is not None:
            self.on_reset(Reset(flag), self._enter(cycle))


_CALLS: dict[str, Callable[..., Any]] = {
    "shim_on_pin": Chip._pin,
    "shim_on_drive": Chip._drive,
    "shim_on_spi_select": Chip._spi_select,
    "shim_on_spi_command": Chip._spi_command,
    "shim_on_spi_finish": Chip._spi_finish,
    "shim_on_spi_byte": Chip._spi_byte,
    "shim_on_twi_start": Chip._twi_start,
    "shim_on_twi_write": Chip._twi_write,
    "shim_on_twi_read": Chip._twi_read,
    "shim_on_twi_stop": Chip._twi_stop,
    "shim_on_adc": Chip._adc,
    "shim_on_reset": Chip._reset,
}
_NO_RESULT = ("shim_on_pin", "shim_on_drive", "shim_on_spi_finish", "shim_on_twi_stop", "shim_on_reset")
_bound: set[int] = set()


def _bind(module: Any) -> None:
    """Give the C layer its ways into Python, once. What a part raises is kept for `check`."""
    if id(module) in _bound:
        return
    _bound.add(id(module))
    from_handle = module.ffi.from_handle

    def entry(method: Callable[..., Any], after_failure: int | None) -> Callable[..., Any]:
        def call(user: Any, *args: int) -> Any:
            chip: Chip = from_handle(user)
            try:
                return method(chip, *args)
            except BaseException as e:
                if chip.failure is None:
                    chip.failure = e
                return after_failure

        return call

    for name, method in _CALLS.items():
        module.ffi.def_extern(name=name)(entry(method, None if name in _NO_RESULT else 0))
