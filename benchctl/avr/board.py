"""One board of the modelled world with a chip on it: its pins by the bench file's map, its supply, its reset line."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection
from pathlib import Path

from benchctl.avr.chip import BAND_GAP, Chip, Drive, Line, Reset
from benchctl.avr.wiring import Wiring, adc_channel
from benchctl.parts.agenda import Agenda
from benchctl.parts.board import Board

ANALOG = ("joy_x", "joy_y", "sense_rail", "sense_vcc1", "sense_vcc2")
#: crystal with the slowest start; 0.5 KB for the boot loader, started at reset
LOW_FUSE, HIGH_FUSE = 0xFF, 0xDE
#: by brown-out level; data sheet table "BODLEVEL Fuse Coding"
EXTENDED_FUSES = {4.3: 0xFC, 2.7: 0xFD, 1.8: 0xFE, 0.0: 0xFF}
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
        board: Board,
        image: Path,
        agenda: Agenda,
        seed: int,
        late: float,
        late_inputs: Collection[str],
        jumpered: Collection[str],
    ) -> None:
        self.board = board
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
        self._wiring.connect_supply(board.supply_volts)
        self.chip.set_volts(BAND_GAP, board.bandgap_volts)
        self.chip.set_fuses(LOW_FUSE, HIGH_FUSE, EXTENDED_FUSES[board.spec.brown_out_v])
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
        self.board.reset_line.set(0.0, self._agenda.now)
        self._agenda.after(DTR_S, self._reset_ends)

    def _reset_ends(self) -> None:
        self._dtr_low = False
        self.board.reset_line.set(1.0, self._agenda.now)
        if not self.board.held:
            self.chip.release(Reset.POWER_ON if self._memory_lost else Reset.EXTERNAL)
            self._memory_lost = False
