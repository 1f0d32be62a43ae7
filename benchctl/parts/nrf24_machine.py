"""The radio's states over time: CE, settling, sending, waiting for the answer, listening, answering.

Source: nRF24L01+ Product Specification v1.0, sections 6.1 (Figure 4), 7.4, 7.5 and Table 16.
"""

from __future__ import annotations

import math
import random

from benchctl.parts.agenda import Agenda
from benchctl.parts.air import DAMAGED, LOST, Air
from benchctl.parts.nrf24_bank import Pipe
from benchctl.parts.nrf24_body import GRAIN, Body, State
from benchctl.parts.nrf24_fifo import Upload
from benchctl.parts.nrf24_frame import Frame
from benchctl.parts.nrf24_link import ANSWER, CONFIRMED, NEW, TransceiverConfig
from benchctl.parts.nrf24_registers import (
    ACK_WINDOW,
    BIT_RATE,
    CE_PULSE_MIN,
    CONT_WAVE,
    IRQ_DELAY,
    MAX_RT,
    PLL_LOCK,
    RX_DR,
    SETTLING,
    TX_DS,
    TX_STAY_MAX,
    Reg,
)

_STANDBY = (State.STANDBY_I, State.STANDBY_II)
#: an answer whose address came in time may end in any of these
_HOPING = (State.WAITING, State.WAITED, State.TX_SETTLING)


def listening_time(rate: int, retry_delay: float) -> float:
    """Seconds that a sender listens for the address of the answer, with its settling before the next try kept free."""
    free = retry_delay - SETTLING
    return min(ACK_WINDOW[rate], free - SETTLING if free >= SETTLING else free)


class Machine(Body):
    """The transceiver without its SPI."""

    def __init__(
        self, agenda: Agenda, air: Air, chance: random.Random, config: TransceiverConfig | None = None,
        name: str = "transceiver", powered: bool = True,
    ) -> None:  # fmt: skip
        self._ce_rose = -math.inf
        self._tx_since = math.inf
        self._locked_until = -math.inf
        self._sending: Frame | None = None
        self.last_upload: Upload | None = None  # what REUSE_TX_PL sends again
        self._tries = 0
        super().__init__(agenda, air, chance, config, name, powered)
        if self.config.fitted:
            air.join(self)

    # -- changes of state ----------------------------------------------------------------------------------------------
    def _abandon(self, time: float) -> None:
        """Also what is on the air: a packet is cut short and reaches nobody, a carrier ends."""
        super()._abandon(time)
        if self.state is State.CARRIER and self._sending is not None:
            self.air.carrier_off(self._sending, time)
        elif self._sending is not None and self._sending.end > time:
            self._sending.end = time
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
        self._latched = False
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
        self._latched = False
        short = self.state is State.TX_SETTLING and self._sending is None and time - self._ce_rose < CE_PULSE_MIN - 1e-9
        if short:
            self.violations["CE pulse shorter than 10 µs"] += 1
        if short or self.state in (State.RX_SETTLING, State.RX, State.STANDBY_II, State.CARRIER):
            self._abandon(time)
            self._enter(State.STANDBY_I, time)

    # -- sending -------------------------------------------------------------------------------------------------------

    def _carrier_wanted(self) -> bool:
        wanted = CONT_WAVE | PLL_LOCK
        return self.bank.value[Reg.RF_SETUP] & wanted == wanted

    def _carry(self) -> None:
        time, now = self.agenda.now, self.bank.settings
        self._enter(State.CARRIER, time)
        self._sending = Frame(self, now.channel, now.rate, now.power_dbm, b"", 0, 0, 0, b"", 0, False, time)
        self.air.carrier_on(self._sending)
        for tell in self.on_burst:
            tell(time)

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
        for tell in self.on_burst:
            tell(frame.start)

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
        if now.retry_delay < 2 * SETTLING:  # no time to settle twice: listens to the end
            self._due(frame.end + now.retry_delay, self._unanswered)
        else:
            self._due(frame.end + SETTLING + listening_time(now.rate, now.retry_delay), self._waited)

    def _waited(self) -> None:
        """Nothing came in time: stand by until it is time to settle for the next try."""
        assert self._sending is not None
        settle = self._sending.end + self.bank.settings.retry_delay - SETTLING
        if settle <= self.agenda.now + GRAIN and self._tries < self.bank.settings.retries:
            self._settle_again()
            return
        self._enter(State.WAITED, self.agenda.now)
        self._due(settle, self._settle_again)

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

    # -- hearing -------------------------------------------------------------------------------------------------------

    def frame_over(self, frame: Frame) -> None:
        """A packet of another station has just ended."""
        if self.state is State.RX:
            if self.rx_since <= frame.start + GRAIN:
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
        self._latched = True
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
        if not self._latched:
            self._rpd = None

    def in_time(self, sent: Frame, answer: Frame) -> bool:
        """Whether the answer's address falls into the sender's window, and its end before the next try."""
        listening = sent.end + SETTLING
        matched = answer.start + 8 * (1 + len(answer.address)) / BIT_RATE[answer.rate]
        return (
            answer.start >= listening - GRAIN
            and matched <= listening + ACK_WINDOW[sent.rate] + GRAIN
            and answer.end <= sent.end + self.bank.settings.retry_delay + GRAIN
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
