"""The transceiver's body: supply, current, interrupt pin, states, received power; no rules of its protocol.

Source: nRF24L01+ Product Specification v1.0, sections 6.1 and 6.4, Tables 7 and 14.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from enum import Enum
from typing import Any

from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.air import Air
from benchctl.parts.nrf24_link import Endpoint, TransceiverConfig
from benchctl.parts.nrf24_registers import FLAGS, RPD_TIME, Reg
from benchctl.parts.signal import Signal


class State(Enum):
    """States of Figure 4, with sending, waiting and answering told apart."""

    OFF = "off"
    POWER_DOWN = "power-down"
    STARTING = "crystal starts"
    STANDBY_I = "standby-I"
    STANDBY_II = "standby-II"
    TX_SETTLING = "settles to send"
    TX = "sends"
    WAIT_SETTLING = "settles to wait"
    WAITING = "waits for the answer"
    WAITED = "until the next try"
    RX_SETTLING = "settles to listen"
    RX = "listens"
    ANSWER_SETTLING = "settles to answer"
    ANSWERING = "answers"
    CARRIER = "sends a carrier"


#: A, Table 7; sending and listening depend on settings
_CURRENT = {
    State.OFF: 0.0, State.POWER_DOWN: 900e-9, State.STARTING: 400e-6, State.STANDBY_I: 26e-6,
    State.STANDBY_II: 320e-6, State.TX_SETTLING: 8.0e-3, State.WAIT_SETTLING: 8.9e-3, State.WAITED: 320e-6,
    State.RX_SETTLING: 8.9e-3, State.ANSWER_SETTLING: 8.0e-3,
}  # fmt: skip
TX_SETTLING_CURRENT, RX_SETTLING_CURRENT = _CURRENT[State.TX_SETTLING], _CURRENT[State.RX_SETTLING]
STANDBY_II_CURRENT = _CURRENT[State.STANDBY_II]
_ASLEEP = (State.OFF, State.POWER_DOWN, State.STARTING)
_SENDING = (State.TX, State.ANSWERING, State.CARRIER)
_LISTENING = (State.WAITING, State.RX)
#: tolerance (s) for comparing instants that are sums of the same terms
GRAIN = 1e-12


class Body(Endpoint):
    """The chip as a consumer of power with an interrupt pin. irq: active low, 1 at rest. current: supply, in A."""

    def __init__(
        self, agenda: Agenda, air: Air, chance: random.Random, config: TransceiverConfig | None = None,
        name: str = "transceiver", powered: bool = True,
    ) -> None:  # fmt: skip
        super().__init__(air, chance, config or TransceiverConfig(), name)
        self.agenda = agenda
        self.irq = Signal(f"{name} irq", 1.0)
        self.current = Signal(f"{name} transceiver current", 0.0)
        self.ce = False
        self.state = State.OFF
        self.rx_since = math.inf  # listening without a break since then
        self.deaf_until = -math.inf  # sends or answers until then (whole sends are done ahead of the agenda)
        self._next: Entry | None = None
        self._volts = 0.0
        self._spiking = False
        self._rpd: int | None = 0  # None: live
        self._latched = False  # by a packet, until listening ends
        if powered:
            self._volts = 3.3
            self._enter(State.POWER_DOWN, agenda.now)

    # -- supply --------------------------------------------------------------------------------------------------------

    def power(self, volts: float, time: float) -> None:
        """The supply changes. Below the reset level all settings are lost; above it the chip wakes after por_ms."""
        before, self._volts = self._volts, volts
        threshold = self.config.reset_v
        if volts < threshold <= before:
            self._abandon(time)
            self.forget()
            self._refresh_irq(time)
            self._enter(State.OFF, time)
        elif before < threshold <= volts:
            self._due(time + self.config.por_ms * 1e-3, self._woken)
            if self.config.startup_spike_ma > 0:
                self._spiking = True
                self.agenda.at(time + self.config.startup_spike_ms * 1e-3, self._spike_over)
                self._tell_current(time)

    @property
    def alive(self) -> bool:
        return self.state is not State.OFF and self.config.fitted

    @property
    def ready(self) -> bool:
        """Powered up and its crystal running."""
        return self.config.fitted and self.state not in _ASLEEP

    def _woken(self) -> None:
        self._enter(State.POWER_DOWN, self.agenda.now)

    def _spike_over(self) -> None:
        self._spiking = False
        self._tell_current(self.agenda.now)

    def current_ma(self, time: float) -> float:
        """Supply current in mA; `time` is the present."""
        return self.current.level * 1e3

    def _tell_current(self, time: float) -> None:
        now, state = self.bank.settings, self.state
        if state in _SENDING:
            amperes = self.tx_current[now.power]
        elif state in _LISTENING:
            amperes = self.rx_current[now.rate]
        else:
            amperes = _CURRENT[state]
        spike = self.config.startup_spike_ma * 1e-3 if self._spiking else 0.0
        self.current.set(amperes + spike if self.config.fitted else 0.0, time)

    # -- the one timer, states -----------------------------------------------------------------------------------------

    def _due(self, time: float, action: Callable[..., object], *args: Any) -> None:
        if self._next is not None:
            self._next.cancel()
        self._next = self.agenda.at(time, action, *args)

    def _enter(self, state: State, time: float) -> None:
        if self.state is State.RX and state is not State.RX and self._rpd is None:
            self._rpd = self._power_seen(time)
        self.state = state
        self.rx_since = time if state is State.RX else math.inf
        self._tell_current(time)

    def _abandon(self, time: float) -> None:
        """Stop whatever goes on at once."""
        if self._next is not None:
            self._next.cancel()
            self._next = None

    # -- received power ------------------------------------------------------------------------------------------------

    def _power_seen(self, time: float) -> int:
        """1 when the channel was above the threshold for the last 40 µs of listening, section 6.4."""
        if time - self.rx_since < RPD_TIME - GRAIN:
            return 0
        apart = self.config.temperature_c - 25.0
        threshold = -64.0 + 5.0 * apart / (60.0 if apart > 0 else 65.0) - self.lna_gain_db
        return int(self.air.held_dbm(self.bank.settings.channel, self, time - RPD_TIME, time) > threshold)

    def received_power(self, time: float) -> int:
        """The RPD bit: live while listening, else as it was latched."""
        return self._power_seen(time) if self._rpd is None and self.state is State.RX else self._rpd or 0

    # -- interrupts ----------------------------------------------------------------------------------------------------

    def _flag(self, flags: int) -> None:
        if self.state is not State.OFF:
            self._raise(flags, self.agenda.now)

    def _raise(self, flags: int, time: float) -> None:
        self.flags |= flags
        self._refresh_irq(time)

    def _refresh_irq(self, time: float) -> None:
        masked = self.bank.value[Reg.CONFIG] & FLAGS  # the mask bits sit where the flags do
        self.irq.set(0.0 if self.flags & ~masked and self.config.fitted else 1.0, time)
