"""The packet rules of the transceiver: composing, recognising, accepting and acknowledging; no clock in here.

Both ways of running the model, event by event and a whole send at once, go through these rules.
Source: nRF24L01+ Product Specification v1.0, sections 7.3 to 7.5.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from benchctl.errors import UsageError
from benchctl.parts.air import Air
from benchctl.parts.nrf24_bank import Bank, Pipe
from benchctl.parts.nrf24_fifo import RxFifo, TxFifo, Upload
from benchctl.parts.nrf24_frame import STATIC_LENGTH, Frame
from benchctl.parts.nrf24_registers import RX_CURRENT, VARIANTS

#: what `accept` answers, as bits
NEW, CONFIRMED, ANSWER = 1, 2, 4


@dataclass(frozen=True)
class TransceiverConfig:
    """One transceiver module as it was bought and soldered.

    variant: name in VARIANTS. fitted: False when the place on the board is empty.
    tx_offset_db: tolerance of the output power (±4 dB allowed). antenna_loss_db: both ways.
    crystal_ppm: its own crystal. por_ms: power-on reset after 1.9 V (1 to 100).
    crystal_start_ms: power-down to standby (1.5, 3 or 4.5 by crystal).
    temperature_c: moves the received-power threshold. reset_v: below it all settings are lost.
    startup_spike_ma, startup_spike_ms: extra current when the supply comes up.
    pa_gain_db, lna_gain_db, tx_current_ma (at full power): None takes the variant's.
    """

    variant: str = "plus"
    fitted: bool = True
    tx_offset_db: float = 0.0
    antenna_loss_db: float = 0.0
    crystal_ppm: float = 0.0
    por_ms: float = 10.0
    crystal_start_ms: float = 1.5
    temperature_c: float = 25.0
    reset_v: float = 1.9
    startup_spike_ma: float = 0.0
    startup_spike_ms: float = 1.0
    pa_gain_db: float | None = None
    lna_gain_db: float | None = None
    tx_current_ma: float | None = None


class Endpoint:
    """Registers, payload stores and packet memory of one transceiver, and the rules between them.

    name: of the board it sits on. violations: what was done to it that the data sheet forbids, counted by sentence.
    bursts, burst_charge: transmissions so far and the charge (C) that sends have drawn.
    """

    def __init__(self, air: Air, chance: random.Random, config: TransceiverConfig, name: str) -> None:
        if config.variant not in VARIANTS:
            raise UsageError(f"transceiver variant {config.variant!r}: expected one of {', '.join(VARIANTS)}")
        self.name = name
        self.config = config
        self.air = air
        self.chance = chance
        self.variant = variant = VARIANTS[config.variant]
        self.antenna_loss_db = config.antenna_loss_db
        self.crystal_ppm = config.crystal_ppm
        self.lna_gain_db = variant.lna_gain_db if config.lna_gain_db is None else config.lna_gain_db
        pa_gain = variant.pa_gain_db if config.pa_gain_db is None else config.pa_gain_db
        self.bank = Bank(variant, config.tx_offset_db + pa_gain)
        full = variant.tx_current[3] if config.tx_current_ma is None else config.tx_current_ma * 1e-3
        self.tx_current = tuple(one * full / variant.tx_current[3] for one in variant.tx_current)
        self.rx_current = tuple(one + variant.extra_rx_current for one in RX_CURRENT)
        self.tx = TxFifo()
        self.rx = RxFifo()
        self.violations: Counter[str] = Counter()
        self.bursts = 0
        #: told (time) of every burst on the air
        self.on_burst: list[Callable[[float], object]] = []
        self.burst_charge = 0.0
        self.forget()

    def forget(self) -> None:
        """What a power-on reset does to registers and memories."""
        self.bank.reset()
        self.tx.flush()
        self.rx.flush()
        self.pid = 0
        self.flags = 0
        self.lost_count = 0  # PLOS_CNT
        self.retry_count = 0  # ARC_CNT
        self._last: dict[int, Frame] = {}  # last packet taken, by pipe
        self._owed: dict[int, Upload] = {}  # acknowledgement payload sent but not yet known to have arrived, by pipe

    # -- sending ------------------------------------------------------------------------------------------------

    def upload(self, payload: bytes, no_ack: bool = False, pipe: int | None = None) -> Upload:
        """A payload as it enters the store; the packet identity counts with every one, section 7.3.3.2."""
        if pipe is None:
            self.pid = self.pid + 1 & 3
        return Upload(payload, self.pid, no_ack, pipe)

    def compose(self, upload: Upload, start: float) -> Frame:
        """The packet that a sender makes of an upload."""
        now = self.bank.settings
        length = len(upload.payload) if now.dynamic_tx else STATIC_LENGTH
        bit = now.no_ack_bit if upload.no_ack else 1 - now.no_ack_bit
        return Frame(
            self, now.channel, now.rate, now.power_dbm, now.tx_address, upload.pid, bit, length, upload.payload,
            now.crc_bytes, now.enhanced, start,
        )  # fmt: skip

    def awaits_answer(self, upload: Upload) -> bool:
        now = self.bank.settings
        return now.acknowledged and now.enhanced and not upload.no_ack

    def is_answer(self, sent: Frame, answer: Frame) -> bool:
        """Whether a packet that a waiting sender hears acknowledges what it sent."""
        now = self.bank.settings
        pipe = now.pipes.get(answer.address)
        if pipe is None or pipe.number != 0 or not self._same_air(answer) or answer.pid != sent.pid:
            return False
        return not answer.payload or (pipe.dynamic and now.ack_payloads)

    # -- receiving ----------------------------------------------------------------------------------------------

    def _same_air(self, frame: Frame) -> bool:
        now = self.bank.settings
        return (
            frame.channel == now.channel
            and frame.rate == now.rate
            and frame.crc_bytes == now.crc_bytes
            and frame.enhanced == now.enhanced
        )

    def pipe_for(self, frame: Frame) -> Pipe | None:
        """The pipe that a packet is for, if its format can be understood with the present settings."""
        now = self.bank.settings
        pipe = now.pipes.get(frame.address)
        if pipe is None or not self._same_air(frame):
            return None
        if pipe.dynamic and now.enhanced:
            return pipe if frame.length == len(frame.payload) else None
        return pipe if len(frame.payload) == pipe.length > 0 else None

    def accept(self, frame: Frame, pipe: Pipe) -> int:
        """Take a packet that arrived: NEW (not a repeat), CONFIRMED (an acknowledgement payload got through), ANSWER.

        0 when the receive store is full: the packet is discarded and not acknowledged.
        """
        answer = 0
        if pipe.auto_ack and frame.enhanced:
            if frame.no_ack != self.bank.settings.no_ack_bit:
                answer = ANSWER
            last = self._last.get(pipe.number)
            if last is not None and last.pid == frame.pid and last.crc == frame.crc:
                return answer
        if self.rx.full:
            return 0
        self._last[pipe.number] = frame
        if self._owed:
            owed = self._owed.pop(pipe.number, None)
            if owed is not None:
                self.tx.drop(owed)
                answer |= CONFIRMED
        return answer | NEW

    def answer_to(self, frame: Frame, pipe: Pipe, start: float) -> Frame:
        """The acknowledgement, with the pipe's next waiting payload where that is switched on."""
        now = self.bank.settings
        payload = b""
        if now.ack_payloads and pipe.dynamic and self.tx.items:
            waiting = self.tx.for_pipe(pipe.number)
            if waiting is not None:
                self._owed[pipe.number] = waiting
                payload = waiting.payload
        return Frame(
            self, now.channel, now.rate, now.power_dbm, frame.address, frame.pid, 0, len(payload), payload,
            now.crc_bytes, True, start,
        )  # fmt: skip
