"""The radio's states over time: power, CE, settling, sending, waiting for the answer, listening, answering.

Source: nRF24L01+ Product Specification v1.0, sections 6.1 (Figure 4), 7.4, 7.5 and Tables 7 and 16.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from enum import Enum
from typing import Any

from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.air import DAMAGED, LOST, Air
from benchctl.parts.nrf24_bank import Pipe
from benchctl.parts.nrf24_fifo import Upload
from benchctl.parts.nrf24_frame import Frame
from benchctl.parts.nrf24_link import ANSWER, CONFIRMED, NEW, Endpoint, TransceiverConfig
from benchctl.parts.nrf24_registers import (
    ACK_WINDOW,
    BIT_RATE,
    CE_PULSE_MIN,
    CONT_WAVE,
    IRQ_DELAY,
    MAX_RT,
    PLL_LOCK,
    RPD_TIME,
    RX_DR,
    SETTLING,
    TX_DS,
    TX_STAY_MAX,
    Reg,
)
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
_SENDING = (State.TX, State.ANSWERING, State.CARRIER)
_LISTENING = (State.WAITING, State.RX)
_STANDBY = (State.STANDBY_I, State.STANDBY_II)
#: an answer whose address came in time may end in any of these
_HOPING = (State.WAITING, State.WAITED, State.TX_SETTLING)
#: tolerance (s) for comparing instants that are sums of the same terms
_GRAIN = 1e-12


class Machine(Endpoint):
    """The transceiver without its SPI. irq: active low, level 1 at rest. current: supply current in A."""

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
        self._ce_rose = -math.inf
        self._tx_since = math.inf
        self._locked_until = -math.inf
        self._rpd: int | None = 0  # None: live
        self._sending: Frame | None = None
        self.last_upload: Upload | None = None  # what REUSE_TX_PL sends again
        self._tries = 0
        if self.config.fitted:
            air.join(self)
        if powered:
            self._volts = 3.3
            self._enter(State.POWER_DOWN, agenda.now)

    # -- supply -------------------------------------------------------------------------------------------------

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

    # -- the one timer, states ----------------------------------------------------------------------------------

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
        if self.state is State.CARRIER and self._sending is not None:
            self.air.carrier_off(self._sending, time)
        elif self._sending is not None and self._sending.end > time:
            self._sending.cut = True
        self._sending = None

    def configured(self, time: float) -> None:
        """CONFIG, or what the next state depends on, has changed."""
        if self.state is State.OFF:
            return
        now = self.bank.settings
        if not now.powered_up:
            if self.state is not State.POWER_DOWN:
                self._abandon(time)
                self._enter(State.POWER_DOWN, time)
        elif self.state is State.POWER_DOWN:
            self._enter(State.STARTING, time)
            self._due(time + self.config.crystal_start_ms * 1e-3, self._started)
        elif self.state in (State.RX, State.RX_SETTLING) and not now.receives:
            self._abandon(time)
            self._enter(State.STANDBY_I, time)
            self.decide(time)
        else:
            self.decide(time)

    def retuned(self, time: float) -> None:
        """Channel or rate changed while listening: the synthesiser settles anew."""
        if self.state is State.RX:
            self._enter(State.RX_SETTLING, time)
            self._due(time + SETTLING, self._listen)

    def _started(self) -> None:
        self._enter(State.STANDBY_I, self.agenda.now)
        self.decide(self.agenda.now)

    def decide(self, time: float) -> None:
        """What standby leads to with the present CE, role and payloads (Figure 4)."""
        if self.state not in _STANDBY:
            return
        now = self.bank.settings
        if not self.ce:
            self._enter(State.STANDBY_I, time)
        elif now.receives:
            self._enter(State.RX_SETTLING, time)
            self._due(time + SETTLING, self._listen)
        elif self._carrier_wanted():
            self._enter(State.TX_SETTLING, time)
            self._due(time + SETTLING, self._carry)
        elif self.tx.items and not self.flags & MAX_RT:
            self._enter(State.TX_SETTLING, time)
            self._due(time + SETTLING, self._send)
        else:
            self._enter(State.STANDBY_II, time)

    def set_ce(self, level: float, time: float) -> None:
        """The CE pin."""
        if bool(level) == self.ce:
            return
        self.ce = bool(level)
        if self.state is State.OFF:
            return
        if self.ce:
            self._ce_rose = time
            self.decide(time)
        else:
            self._ce_fell(time)

    def _ce_fell(self, time: float) -> None:
        short = self.state is State.TX_SETTLING and self._sending is None and time - self._ce_rose < CE_PULSE_MIN - 1e-9
        if short:
            self.violations["CE pulse shorter than 10 µs"] += 1
        if short or self.state in (State.RX_SETTLING, State.RX, State.STANDBY_II, State.CARRIER):
            self._abandon(time)
            self._enter(State.STANDBY_I, time)

    # -- sending ------------------------------------------------------------------------------------------------

    def _carrier_wanted(self) -> bool:
        wanted = CONT_WAVE | PLL_LOCK
        return self.bank.value[Reg.RF_SETUP] & wanted == wanted

    def _carry(self) -> None:
        time, now = self.agenda.now, self.bank.settings
        self._enter(State.CARRIER, time)
        self._sending = Frame(self, now.channel, now.rate, now.power_dbm, b"", 0, 0, 0, b"", 0, False, time)
        self.air.carrier_on(self._sending)

    def _send(self) -> None:
        """A new packet goes out: the one at the head of the store."""
        if not self.tx.items:  # flushed while settling
            self._enter(State.STANDBY_II, self.agenda.now)
            self.decide(self.agenda.now)
            return
        self.last_upload = self.tx.items[0]
        self._tries = 0
        self.retry_count = 0
        self._transmit()

    def _transmit(self) -> None:
        time = self.agenda.now
        assert self.last_upload is not None
        if self.state is not State.TX:
            self._tx_since = time
        self._enter(State.TX, time)
        self._sending = frame = self.compose(self.last_upload, time)
        if frame.end - self._tx_since > TX_STAY_MAX:
            self.violations["longer than 4 ms in TX mode"] += 1
        self.note_burst(frame)
        self.air.begin(frame)
        self._due(frame.end, self._sent, frame)

    def note_burst(self, frame: Frame) -> None:
        self.bursts += 1
        self.burst_charge += (frame.end - frame.start) * self.tx_current[self.bank.settings.power]

    def _sent(self, frame: Frame) -> None:
        upload = self.last_upload
        assert upload is not None
        if self.awaits_answer(upload):
            self._enter(State.WAIT_SETTLING, frame.end)
            self._due(frame.end + SETTLING, self._wait)
            self.air.finish(frame)
            return
        self._sending = None
        self._delivered(upload)
        self.agenda.at(frame.end + IRQ_DELAY[frame.rate], self._flag, TX_DS)
        self.air.finish(frame)
        # more payloads go out without a pause while CE is high, section 6.1.5
        if self.ce and self.tx.items and not self.bank.settings.receives and not self.flags & MAX_RT:
            self._send()
        else:
            self._enter(State.STANDBY_I, frame.end)
            self.decide(frame.end)

    def _delivered(self, upload: Upload) -> None:
        self._tries = 0
        if not self.tx.reuse:
            self.tx.drop(upload)

    def _wait(self) -> None:
        frame, now = self._sending, self.bank.settings
        assert frame is not None
        self._enter(State.WAITING, self.agenda.now)
        over = frame.end + SETTLING + ACK_WINDOW[now.rate]
        again = frame.end + now.retry_delay
        if over + SETTLING < again:
            self._due(over, self._waited)
        else:
            self._due(again, self._unanswered)

    def _waited(self) -> None:
        """Nothing came in time: stand by until it is time to settle for the next try."""
        assert self._sending is not None
        self._enter(State.WAITED, self.agenda.now)
        self._due(self._sending.end + self.bank.settings.retry_delay - SETTLING, self._settle_again)

    def _settle_again(self) -> None:
        assert self._sending is not None
        if self._tries < self.bank.settings.retries:
            self._enter(State.TX_SETTLING, self.agenda.now)
        self._due(self._sending.end + self.bank.settings.retry_delay, self._unanswered)

    def _unanswered(self) -> None:
        time = self.agenda.now
        if self._tries < self.bank.settings.retries:
            self._tries += 1
            self.retry_count = self._tries
            self._transmit()
            return
        self._tries = 0
        self._sending = None
        self.lost_count = min(15, self.lost_count + 1)
        self._raise(MAX_RT, time)
        self._enter(State.STANDBY_I, time)
        self.decide(time)

    # -- hearing ------------------------------------------------------------------------------------------------

    def frame_over(self, frame: Frame) -> None:
        """A packet of another station has just ended."""
        if frame.cut:
            return
        if self.state is State.RX:
            if self.rx_since <= frame.start + _GRAIN:
                self._receive(frame)
        elif self._sending is not None and self.state in _HOPING:
            self._judge_answer(frame)

    def hearing(self, frame: Frame) -> Pipe | None:
        """The pipe of a packet that this receiver follows from its start: free, listening, and of its format."""
        if frame.start < self._locked_until or frame.start < self.deaf_until:
            return None
        return self.pipe_for(frame)

    def follow(self, frame: Frame) -> int:
        """Receive it to its end, whatever comes of it: LOST, HEARD or DAMAGED."""
        self._locked_until = frame.end
        return self.air.hear(frame, self)

    def _receive(self, frame: Frame) -> None:
        pipe = self.hearing(frame)
        if pipe is None:
            return
        heard = self.follow(frame)
        if heard == LOST:
            return
        payload = self.air.damage(frame.payload) if heard == DAMAGED else frame.payload
        taken = self.accept(frame, pipe)
        self._rpd = self._power_seen(frame.end)
        flags = 0
        if taken & NEW:
            self.rx.push(pipe.number, payload)
            flags = RX_DR
        if taken & CONFIRMED:
            flags |= TX_DS
        if flags:
            self.agenda.at(frame.end + IRQ_DELAY[frame.rate], self._flag, flags)
        if taken & ANSWER:
            self._enter(State.ANSWER_SETTLING, frame.end)
            self._due(frame.end + SETTLING, self._answer, frame, pipe)

    def _answer(self, frame: Frame, pipe: Pipe) -> None:
        self._enter(State.ANSWERING, self.agenda.now)
        self._sending = answer = self.answer_to(frame, pipe, self.agenda.now)
        self.note_burst(answer)
        self.air.begin(answer)
        self._due(answer.end, self._answered, answer)

    def _answered(self, answer: Frame) -> None:
        self._sending = None
        self._enter(State.STANDBY_I, answer.end)
        self.air.finish(answer)
        self.decide(answer.end)

    def _listen(self) -> None:
        self._enter(State.RX, self.agenda.now)
        self._rpd = None

    def in_time(self, sent: Frame, answer: Frame) -> bool:
        """Whether the answer's address falls into the sender's window, and its end before the next try."""
        listening = sent.end + SETTLING
        matched = answer.start + 8 * (1 + len(answer.address)) / BIT_RATE[answer.rate]
        return (
            answer.start >= listening - _GRAIN
            and matched <= listening + ACK_WINDOW[sent.rate] + _GRAIN
            and answer.end <= sent.end + self.bank.settings.retry_delay + _GRAIN
        )

    def _judge_answer(self, answer: Frame) -> None:
        sent, upload = self._sending, self.last_upload
        assert sent is not None
        assert upload is not None
        if not (self.is_answer(sent, answer) and self.in_time(sent, answer)):
            return
        heard = self.air.hear(answer, self)
        if heard == LOST or (answer.payload and self.rx.full):
            return
        flags = TX_DS
        if answer.payload:
            self.rx.push(0, self.air.damage(answer.payload) if heard == DAMAGED else answer.payload)
            flags |= RX_DR
        self._sending = None
        self._delivered(upload)
        self.agenda.at(answer.end + IRQ_DELAY[answer.rate], self._flag, flags)
        if self._next is not None:
            self._next.cancel()
        self._enter(State.STANDBY_I, answer.end)
        self.decide(answer.end)

    # -- received power -----------------------------------------------------------------------------------------

    def _power_seen(self, time: float) -> int:
        """1 when the channel was above the threshold for the last 40 µs of listening, section 6.4."""
        if time - self.rx_since < RPD_TIME - _GRAIN:
            return 0
        apart = self.config.temperature_c - 25.0
        threshold = -64.0 + 5.0 * apart / (60.0 if apart > 0 else 65.0) - self.lna_gain_db
        return int(self.air.held_dbm(self.bank.settings.channel, self, time - RPD_TIME, time) > threshold)

    def received_power(self, time: float) -> int:
        """The RPD bit: live while listening, else as it was latched."""
        return self._power_seen(time) if self._rpd is None and self.state is State.RX else self._rpd or 0

    # -- interrupts ---------------------------------------------------------------------------------------------

    def _flag(self, flags: int) -> None:
        if self.state is not State.OFF:
            self._raise(flags, self.agenda.now)

    def _raise(self, flags: int, time: float) -> None:
        self.flags |= flags
        self._refresh_irq(time)

    def _refresh_irq(self, time: float) -> None:
        masked = self.bank.value[Reg.CONFIG] & (RX_DR | TX_DS | MAX_RT)  # the mask bits sit where the flags do
        self.irq.set(0.0 if self.flags & ~masked and self.config.fitted else 1.0, time)
