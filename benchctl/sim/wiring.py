"""A board of the modelled world as its processor reaches it: by pin, whatever the firmware takes the pin for.

`truth` is where the wires really go (the bench file's pins); the firmware's settings may say otherwise, and then it
drives and reads what is really there.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from benchctl.pairfile.pins import PINS, code
from benchctl.parts.agenda import Agenda
from benchctl.parts.board import Board
from benchctl.parts.nets import Nets
from benchctl.parts.nrf24 import Transmission
from benchctl.parts.nrf24_body import TX_SETTLING_CURRENT
from benchctl.parts.nrf24_lines import Lines, Pins
from benchctl.parts.nrf24_registers import SETTLING
from benchctl.parts.surroundings import PinState
from benchctl.wire.catalogue import MISO_PIN, NO_PIN

Listener = Callable[[float, float], object]

#: pins that are the same on every board: the UART's are left out, SPI's are the chip's own
_FIXED = {MISO_PIN: "radio_miso"}
#: of the transceiver's bus, driven by the chip's own module until somebody looks at them as pins
_BUS = {code("PB3"): "mosi", code("PB5"): "sck"}
_NAMES = {code(pin): pin for pin in PINS}
_ANALOGUE = ("joy_x", "joy_y", "sense_rail", "sense_vcc1", "sense_vcc2")
#: the chip's own pull-ups (ATmega328P data sheet, table 29-1: 20 to 50 kΩ)
WEAK_PULL_OHMS = 35e3
#: a conversion is taken as the mean of so many instants, where the reference moves in the meantime
_INSTANTS = 3


class Wiring:
    """`drive`, `release`, `level`, `listen`: a pin. `share`, `bandgap_share`: converter. `spi`: transceiver."""

    def __init__(self, board: Board, agenda: Agenda, chance: random.Random, nets: Nets) -> None:
        self.board = board
        self._nets = nets
        #: pins at which something could be hurt, and the one that lets the transceiver drive MISO, by code
        csn = board.pins.get("radio_csn")
        self._cared_for = {c: pin for c, pin in _NAMES.items() if nets.cares(board.role, pin) or pin == csn}
        self.radio = board.radio
        self.lines: Pins = board.spi
        self._agenda = agenda
        self._chance = chance
        self._truth = {code(pin): name for name, pin in board.pins.items()}
        self._truth.update(_FIXED)
        self._driven: dict[int, int] = {}
        self._pull_ups: set[int] = set()
        self._listeners: dict[int, list[Listener]] = {}
        self._rail = board.rails.get(board.spec.radio.rail)

    # ------------------------------------------------------------------ digital

    def drive(self, pin: int, level: int) -> None:
        """Make the pin an output at this level, now."""
        self._driven[pin] = level
        self._pull_ups.discard(pin)
        if pin in self._cared_for:
            self._nets.set(self.board.role, self._cared_for[pin], PinState(level), self._agenda.now)
        name = self._truth.get(pin, "")
        if name == "radio_csn" and isinstance(self.lines, Lines):
            self.lines.set_csn(level, self._agenda.now)
        if name in self.board.switches:
            self.board.switches[name].set_pull_up(False, self._agenda.now)
        signal = self.board.outputs.get(name)
        if signal is not None:
            signal.set(float(level), self._agenda.now)

    def _state(self, pin: int) -> PinState:
        if pin in self._driven:
            return PinState(self._driven[pin])
        return PinState.PULLED_UP if pin in self._pull_ups else PinState.INPUT

    def put_level(self, pin: int, share: float) -> None:
        """Switch the pin so fast that only the mean counts, as a share of the supply."""
        signal = self.board.outputs.get(self._truth.get(pin, ""))
        if signal is not None:
            signal.set(share, self._agenda.now)

    def release(self, pin: int, pull_up: bool = False) -> None:
        """Make the pin an input."""
        self._driven.pop(pin, None)
        (self._pull_ups.add if pull_up else self._pull_ups.discard)(pin)
        if pin in self._cared_for:
            self._nets.set(self.board.role, self._cared_for[pin], self._state(pin), self._agenda.now)
        if pin in _BUS and isinstance(self.lines, Lines):
            self.lines.let_go(_BUS[pin], self._agenda.now)
        name = self._truth.get(pin, "")
        signal = self.board.outputs.get(name)
        if signal is not None:
            signal.set(self.board.rest[name], self._agenda.now)
        if name in self.board.switches:
            self.board.switches[name].set_pull_up(pull_up, self._agenda.now)

    def level(self, pin: int) -> int:
        """What the pin reads now."""
        name = self._truth.get(pin, "")
        if name == "radio_miso":
            return self._miso(pin)
        signal = self.board.inputs.get(name)
        if signal is not None and not math.isnan(signal.level):
            return int(signal.level >= 0.5)
        if pin in self._driven:
            return self._driven[pin]
        if name in _ANALOGUE:
            return int(self.share(pin, self._agenda.now) >= 0.5)
        return self._nets.levels(self.board.role, _NAMES[pin])[pin in self._pull_ups]

    def listen(self, pin: int, listener: Listener) -> None:
        """`listener(level, time)` hears every later change of the line at the pin."""
        signal = self.board.inputs.get(self._truth.get(pin, ""))
        if signal is None:
            return
        heard = self._listeners.get(pin)
        if heard is None:
            heard = self._listeners[pin] = []
            signal.connect(lambda level, time: [one(level, time) for one in tuple(heard)])
        heard.append(listener)

    def release_all(self) -> None:
        """Reset: every pin is an input without pull-up; nobody listens any more."""
        self._driven.clear()
        self._pull_ups.clear()
        for name in self._cared_for.values():
            self._nets.set(self.board.role, name, PinState.INPUT, self._agenda.now)
        for heard in self._listeners.values():
            heard.clear()
        for switch in self.board.switches.values():
            switch.set_pull_up(False, self._agenda.now)
        self.board.release_outputs(self._agenda.now)

    # ------------------------------------------------------------------ converter

    def vcc(self, time: float) -> float:
        """The processor's supply in volts, without noise."""
        return self.board.supply.volts(time)

    def share(self, pin: int, time: float) -> float:
        """Voltage at an analogue pin, held at `time`, over the supply, with noise; 0 to 1."""
        name = self._truth.get(pin, "")
        if name not in _ANALOGUE:
            return self._nets.share(self.board.role, _NAMES[pin], self._state(pin), time)
        reference = max(1e-3, self.board.supply_volts(time))
        return min(1.0, self.board.analog(name, time) / reference)

    def bandgap_share(self, start: float, end: float) -> float:
        """Band-gap over the mean supply of the interval, with noise."""
        volts = sum(self.vcc(start + (n + 0.5) * (end - start) / _INSTANTS) for n in range(_INSTANTS)) / _INSTANTS
        spec = self.board.spec
        volts += self._chance.gauss(0.0, spec.rail[spec.supply_rail].noise_mv * 1e-3 / _INSTANTS**0.5)
        held = self.board.bandgap_volts + self._chance.gauss(0.0, spec.adc_noise_mv * 1e-3)
        return min(1.0, max(0.0, held / max(1e-3, volts)))

    # ------------------------------------------------------------------ buses

    def spi(self, data: bytes, csn: int) -> bytes:
        """One transaction with the pin `csn` as chip select; other lines are where the chip has them."""
        if self._truth.get(csn) == "radio_csn" or csn == NO_PIN:
            return self.lines.exchange(data, self._agenda.now)
        if self._truth.get(csn) == "radio_ce" and isinstance(self.lines, Lines):
            return self.lines.exchange_by("ce", data, self._agenda.now)
        return b"\xff" * len(data)  # nobody is selected, MISO floats high

    def set_ce(self, pin: int, level: int) -> None:
        """Drive the pin that the firmware takes for CE."""
        if pin != NO_PIN:
            self.drive(pin, level)

    def radio_wired(self, ce: int, csn: int, irq: int) -> bool:
        """Whether these pins and sound lines lead to the transceiver; `irq` may be none."""
        wanted = {ce: "radio_ce", csn: "radio_csn", **({} if irq == NO_PIN else {irq: "radio_irq"})}
        right = all(self._truth.get(pin) == name for pin, name in wanted.items())
        lines = ("ce", "miso", "csn", *(() if irq == NO_PIN else ("irq",)))
        return right and all(self.lines.works(line) for line in lines)

    def on_radio_event(self, listener: Listener) -> None:
        """`listener(level, time)` hears the transceiver's own IRQ pin, for who looks at its flags all the time."""
        self.radio.irq.connect(listener)

    def transact(self, payload: bytes, time: float, no_ack: bool) -> Transmission:
        """A whole send at once, CE rising now or a little later, with the current of its tries on the rail."""
        outcome = self.lines.transact(payload, time, no_ack)
        if self._rail is not None and outcome.on_air:
            self._draw(outcome)
        return outcome

    def _draw(self, outcome: Transmission) -> None:
        """The last tries' settling and sending; listening in between goes with the chip's state."""
        if not outcome.retries and outcome.start - SETTLING <= self._agenda.now:
            self._draw_try(outcome.on_air)
            return
        now = self.radio.bank.settings
        tries = outcome.retries + 1
        each = outcome.on_air / tries
        start = max(self._agenda.now, outcome.start - SETTLING)
        for number in range(tries):
            at = start + number * (each + now.retry_delay)
            if at <= self._agenda.now:
                self._draw_try(each)
            else:
                self._agenda.at(at, self._draw_try, each)

    def _draw_try(self, on_air: float) -> None:
        """One try from now on: it settles, then it sends."""
        rail, now = self._rail, self._agenda.now
        assert rail is not None
        amps = self.radio.tx_current[self.radio.bank.settings.power]
        rail.bursts("sending", ((TX_SETTLING_CURRENT, SETTLING), (amps, on_air)), now)

    def twi(self, address: int, write: bytes, count: int) -> bytes | None:
        """One bus transfer; None when nobody acknowledges the address."""
        if not self.board.spec.imu.fitted:
            return None
        return self.board.twi.exchange(address, write, count, self._agenda.now)

    def _miso(self, pin: int) -> int:
        """With CSN low the chip drives bit 7 of STATUS; else the line floats to where a pull-up or a leak takes it."""
        csn = next((at for at, name in self._truth.items() if name == "radio_csn"), NO_PIN)
        selected = self._driven.get(csn, 1) == 0
        if isinstance(self.lines, Lines):
            driven = self.lines.miso_at(1 - selected, self._agenda.now)
            if driven is not None:
                return driven
        elif selected and self.radio.config.fitted:
            return self.lines.select(self._agenda.now) >> 7
        leak = self.board.spec.radio.miso
        if leak.to_ground_ohms < WEAK_PULL_OHMS / 2:
            return 0
        return int(pin in self._pull_ups or leak.to_supply_ohms < WEAK_PULL_OHMS)
