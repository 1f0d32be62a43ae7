"""One board of the modelled world with a chip on it: its pins by the bench file's map, its supply, its reset line."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection
from functools import partial
from pathlib import Path

from benchctl.avr.chip import BAND_GAP, Chip, Drive, Line, Reset
from benchctl.avr.wiring import Wiring, adc_channel
from benchctl.pairfile.pins import PINS
from benchctl.parts.agenda import Agenda
from benchctl.parts.fuses import fuses_of
from benchctl.parts.nrf24_lines import Lines
from benchctl.parts.surroundings import PinState
from benchctl.parts.world import World
from benchctl.terms import Role

ANALOG = ("joy_x", "joy_y", "sense_rail", "sense_vcc1", "sense_vcc2")
ANALOG_PINS = (*(f"PC{n}" for n in range(6)), "ADC6", "ADC7")
#: crystal, serial line, reset, SPI: the chip's own modules see to these
_OWN_PINS = ("PB3", "PB4", "PB5", "PB6", "PB7", "PC6", "PC7", "PD0", "PD1")
#: of the transceiver's bus, as far as the processor drives it
_BUS = {"PB3": "mosi", "PB5": "sck"}
#: before the probe looks at a pin that it has set
AFTER_CSN_S = 2e-6
#: what is outside of a pin, by what it reads without and with the chip's pull-up
_OUTSIDE = {(0, 0): Line.PULLED_DOWN, (0, 1): Line.RESTS_LOW, (1, 1): Line.PULLED_UP}
_MISO = "PB4"
#: how long DTR holds the reset line low through the usual 100 nF and 10 kΩ; common practice, no source
DTR_S = 1e-3
#: how often it is looked whether a hanging program has been ended
HANG_LOOK_S = 1e-3


class ChipOnBoard:
    """A chip wired to the parts of `board`; it starts when the supply lets it.

    late_inputs: functions whose level another chip makes, with jumpers of their own or through a part; they arrive
    `late` seconds after their time. jumpered: functions that a jumper of the C layer drives.
    """

    def __init__(
        self,
        world: World,
        role: Role,
        image: Path,
        agenda: Agenda,
        seed: int,
        late: float,
        late_inputs: Collection[str],
        jumpered: Collection[str],
    ) -> None:
        self.board = board = world.boards[role]
        self._nets = world.nets
        self.allowance = world.allowances[role]
        #: what the chip does with the pins that are watched
        self.pin_states: dict[str, PinState] = {}
        #: pins of the transceiver's lines where something else than the chip may be read
        self._outside: set[str] = set()
        self.chip = Chip(
            image,
            float(board.spec.clock_hz),
            board.oscillator,
            label=board.spec.label or str(board.role),
            chance=random.Random(f"{seed} {board.role} memory"),
        )
        self._agenda = agenda
        self._memory_lost = True
        self._dtr_low = False
        self._wiring = Wiring(self.chip)
        self._connect_pins(late, late_inputs, jumpered)
        self._connect_nets()
        self.chip.on_reset = lambda cause, time: self.allowance.restarted(time)
        self._wiring.connect_supply(board.supply_volts)
        self.chip.set_volts(BAND_GAP, board.bandgap_volts)
        low, lock, extended, high = fuses_of(board.spec)
        self.chip.set_fuses(low, high, extended, lock)
        board.on_hang.append(self.hang)
        if not board.held:
            self._start()

    # ---- pins

    def _connect_pins(self, late: float, late_inputs: Collection[str], jumpered: Collection[str]) -> None:
        for function, pin in self.board.pins.items():
            if not pin:
                continue
            delay = late if function in late_inputs else 0.0
            if function in self.board.switches:
                self._connect_switch(function, pin, delay)
            elif function == "radio_csn":
                self._wiring.connect_spi(self.board.spi, pin)
            elif function == "stimulus":
                self._connect_stimulus(pin)
            elif function in self.board.outputs:
                self._wiring.connect_output(pin, self.board.outputs[function], round(self.board.rest[function]))
            elif function in self.board.inputs and function not in jumpered:
                self._wiring.connect_input(pin, self.board.inputs[function], delay)
            elif function in ANALOG:
                self._connect_analog(function, pin)
        self._wiring.connect_twi(self.board.twi)

    def _connect_nets(self) -> None:
        """Pins at which something could be hurt are watched; where no signal drives a pin it is as what is soldered
        there leaves it."""
        role, nets = self.board.role, self._nets
        by_signal, by_volts = self._connected()
        radio = {self.board.pins.get(f"radio_{line}", "") for line in ("ce", "csn")} | set(_BUS)
        for pin in PINS:
            if pin in ANALOG_PINS and pin not in by_volts:
                self._wiring.connect_analog(adc_channel(pin), self._volts_at(pin))
            if pin.startswith("ADC"):
                continue
            left = pin not in by_signal and pin not in _OWN_PINS
            if nets.cares(role, pin) and pin in radio:
                self._outside.add(pin)
            if nets.cares(role, pin) or left:
                self.chip.watch_drive(pin, partial(self._driven, pin, pin in self._outside or pin == _MISO))
            if left:
                self.chip.drive(pin, _OUTSIDE[nets.levels(role, pin)], 0.0)

    def _connected(self) -> tuple[set[str], set[str]]:
        """Pins whose level, and pins whose voltage, a part gives by itself."""
        pins = self.board.pins.items()
        levels = {p for f, p in pins if f in self.board.inputs or f in self.board.switches or f == "stimulus"}
        return levels, {p for f, p in pins if f in ANALOG}

    def _driven(self, pin: str, outside: bool, drive: Drive, time: float) -> None:
        """outside: what the chip does with this pin may be read at another of the transceiver's."""
        self.pin_states[pin] = PinState(drive)
        self._nets.set(self.board.role, pin, PinState(drive), time)
        if isinstance(self.board.spi, Lines):
            self._tell_lines(self.board.spi, pin, drive, time)
        if outside:
            # where solder joins two of them the one reads what is done with the other
            for other in sorted(self._outside):
                if self.pin_states.get(other, PinState.INPUT) in (PinState.INPUT, PinState.PULLED_UP):
                    self.chip.drive(other, _OUTSIDE[self._nets.levels(self.board.role, other)], time)

    def _tell_lines(self, lines: Lines, pin: str, drive: Drive, time: float) -> None:
        """Faulty lines of the transceiver, while they are looked at one by one."""
        listens = drive in (Drive.INPUT, Drive.INPUT_PULLED_UP)
        if pin in _BUS and listens:
            lines.let_go(_BUS[pin], time)
        elif pin == self.board.pins.get("radio_csn"):
            level = 1 if listens else int(drive is Drive.HIGH)
            lines.set_csn(level, time)
            # the chip's own module takes MISO to float when CSN rises; a short, or a CSN that stays low, says otherwise
            if level and lines.miso_at(level, time) == 0:
                self.chip.drive(_MISO, Line.LOW, time + AFTER_CSN_S)

    def _volts_at(self, pin: str) -> Callable[[float], float]:
        def volts(time: float) -> float:
            state = self.pin_states.get(pin, PinState.INPUT)
            return self._nets.share(self.board.role, pin, state, time) * self.board.supply_volts(time)

        return volts

    def _connect_switch(self, function: str, pin: str, late: float) -> None:
        switch, pull = self.board.switches[function], self.board.outputs[function]
        self._wiring.connect_open_drain(pin, pull, switch.line, switch.set_pull_up, late)

    def _connect_stimulus(self, pin: str) -> None:
        signal = self.board.outputs["stimulus"]
        self.chip.drive(pin, Line.PULLED_UP, 0.0)
        self.chip.watch_drive(pin, lambda drive, time: signal.set(0.0 if drive is Drive.LOW else 1.0, time))

    def _connect_analog(self, function: str, pin: str) -> None:
        self._wiring.connect_analog(adc_channel(pin), lambda time: self.board.analog(function, time))

    # ---- supply and reset line

    def supply_held(self, held: bool) -> None:
        """The brown-out detector, or no supply at all, holds the chip, or lets go of it."""
        if held:
            self.chip.hold_reset()
            self.allowance.restarted(self._agenda.now)
        elif not self._dtr_low:
            self._start()

    def memory_lost(self) -> None:
        """The supply has been so low that the next start is a power-on."""
        self._memory_lost = True

    def _start(self) -> None:
        cause = Reset.POWER_ON if self._memory_lost else Reset.BROWN_OUT
        self._memory_lost = False
        self.chip.release(cause)

    def switch_on_anew(self) -> None:
        """As if the board had lain in a drawer: a power-on, unless there is no supply now either."""
        self.chip.hold_reset()
        self._memory_lost = True
        if not self.board.held:
            self._start()

    def hang(self) -> None:
        """The program hangs until the chip is reset, as it is by its watchdog."""
        if not self.chip.held:
            self._until_reset(self.chip.hang(), self._resets())

    def _until_reset(self, go_on: Callable[[], None], before: int) -> None:
        if self._resets() != before:
            go_on()
        else:
            self._agenda.after(HANG_LOOK_S, self._until_reset, go_on, before)

    def _resets(self) -> int:
        return sum(self.chip.resets(cause) for cause in Reset)

    def pulse_reset(self) -> None:
        """What DTR does."""
        self._dtr_low = True
        self.chip.hold_reset()
        self.allowance.restarted(self._agenda.now)
        self.board.reset_line.set(0.0, self._agenda.now)
        self._agenda.after(DTR_S, self._reset_ends)

    def _reset_ends(self) -> None:
        self._dtr_low = False
        self.board.reset_line.set(1.0, self._agenda.now)
        if not self.board.held:
            self.chip.release(Reset.POWER_ON if self._memory_lost else Reset.EXTERNAL)
            self._memory_lost = False
