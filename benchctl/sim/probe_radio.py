"""The transceiver's group: raw transactions, set-up, single sends, the energy scan, and the watch over its settings."""

from __future__ import annotations

from collections.abc import Callable, Generator

from benchctl.parts import radio_setup
from benchctl.parts.nrf24_registers import FLAGS, MAX_RT, PAYLOAD_MAX, RX_DR, RX_EMPTY, TX_DS, Command, Reg
from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.timing import RADIO_CHECK
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Error, Function

#: bytes of one raw transaction
SPI_MOST = PAYLOAD_MAX + 1
CHANNELS = 126
#: standby after power-down takes up to 4.5 ms with slow crystals (Product Specification, table 16)
START_UP = 5e-3
#: a send has ended or hangs after this
SEND_MOST = 0.1
CE_PULSE = 11e-6
#: the power field of RF_SETUP
RF_PWR = 0x06
#: settling and the detector's 40 µs (Product Specification, sections 6.1.4 and 6.4)
DWELL_LEAST_US = 170
FLUSH_TX, FLUSH_RX = bytes((Command.FLUSH_TX,)), bytes((Command.FLUSH_RX,))


class Radio:
    """Requests 0x10 to 0x13 and what the link, the loop and the loads need of the transceiver.

    written: registers as set, by number; None when nothing has been set up, or somebody wrote by hand since.
    on_packet: who takes the packets that arrive.
    """

    def __init__(self, probe: Probe, base: Base) -> None:
        self.probe = probe
        self.base = base
        self.written: dict[int, bytes] | None = None
        self.good = False
        self.receiving = False
        self.length = 0  # of payloads where it is fixed
        self.on_packet: Callable[[bytes, float], object] | None = None
        #: told packets that a control loop receives and that are none of its own
        self.on_piece: Callable[[bytes], object] = lambda payload: None
        self._rows = RowKind(msg.Scan)
        self._listened: set[int] = set()
        self._chip = probe.hardware.radio
        self._wired = False
        self.handlers: Handlers = {
            msg.RadioSpi: self.radio_spi,
            msg.RadioApply: self.radio_apply,
            msg.RadioSend: self.radio_send,
            msg.EnergyScan: self.energy_scan,
        }
        probe.run(self._check_now_and_then())

    # ------------------------------------------------------------------ lines

    def _pin(self, function: Function) -> int:
        return self.probe.settings.pin(function)

    def spi(self, data: bytes) -> bytes:
        """One transaction; returns what MISO gave."""
        return self.probe.hardware.spi(data, self._pin(Function.RADIO_CSN))

    def ce(self, level: int) -> None:
        """Set the CE line."""
        self.probe.hardware.set_ce(self._pin(Function.RADIO_CE), level)

    def spi_time(self, count: int) -> float:
        """Seconds of a transaction of so many bytes."""
        t = self.probe.timing
        return t.spi_frame + count * t.spi_byte

    # ------------------------------------------------------------------ set-up

    def apply(self) -> int:
        """Everything from the settings, powered up, flushed, as a sender in standby; how many registers differ."""
        self.ce(0)
        self.receiving = False
        pins = (self._pin(f) for f in (Function.RADIO_CE, Function.RADIO_CSN, Function.RADIO_IRQ))
        self._wired = self.probe.hardware.radio_wired(*pins)
        self.written = dict(radio_setup.registers(self.probe.settings.number, False, self.length))
        self._write_all()
        wrong = sum(not self._holds(register) for register in self.written)
        self._judge(wrong == 0)
        return wrong

    def _judge(self, good: bool) -> None:
        self.good = good
        self.base.radio_ok = int(good)

    def forget(self) -> None:
        """What the chip holds is no longer known."""
        self.written = None
        self._judge(False)

    def _write_all(self) -> None:
        assert self.written is not None
        for register, data in self.written.items():
            self.spi(radio_setup.write(register, data))
        self.spi(FLUSH_TX)
        self.spi(FLUSH_RX)
        self.clear_flags()

    def clear_flags(self) -> int:
        """Returns STATUS as it was."""
        return self.spi(radio_setup.write(Reg.STATUS, bytes((FLAGS,))))[0]

    def apply_time(self) -> float:
        """Seconds that `apply` takes."""
        return 24 * self.spi_time(2) + 4 * self.spi_time(6)

    def turn(self, receive: bool) -> None:
        """Sender with CE low, or receiver with CE high; the registers are set up already."""
        if self.written is None:
            return
        if not receive:
            self.ce(0)
        if receive != self.receiving:
            data = bytes((radio_setup.config(self.probe.settings.number, receive),))
            self.written[Reg.CONFIG] = data
            self.spi(radio_setup.write(Reg.CONFIG, data))
            self.receiving = receive
        if receive:
            self.ce(1)

    def set_power(self, code: int) -> None:
        """Another transmit power than the settings', until the next `apply`."""
        if self.written is None:
            return
        setup = bytes((self.written[Reg.RF_SETUP][0] & ~RF_PWR | code << 1,))
        self.written[Reg.RF_SETUP] = setup
        self.spi(radio_setup.write(Reg.RF_SETUP, setup))

    def serve(self, on_packet: Callable[[bytes, float], object]) -> None:
        """Listen; packets that arrive are taken by `on_packet(payload, time of the interrupt)`."""
        pin = self._pin(Function.RADIO_IRQ)
        if pin not in self._listened:
            self._listened.add(pin)
            if self.polls:
                self.probe.hardware.on_radio_event(self._interrupt)
            else:
                self.probe.hardware.listen(pin, self._interrupt)
        self.on_packet = on_packet
        self.turn(True)

    def _interrupt(self, level: float, time: float) -> None:
        """Packets of senders that go through their registers end in the store; whole sends are handed over."""
        if level < 0.5 and self.on_packet is not None and self.receiving:
            self.probe.at(time + self.probe.timing.radio_isr, self._download, time)

    def _download(self, time: float) -> None:
        self.clear_flags()
        while self.on_packet is not None and not self.spi(radio_setup.read(Reg.FIFO_STATUS))[1] & RX_EMPTY:
            payload = self._taken()
            if not payload:
                return
            self.on_packet(payload, time)

    def _read(self, register: int) -> bytes:
        assert self.written is not None
        return self.spi(radio_setup.read(register, len(self.written[register])))[1:]

    def _holds(self, register: int) -> bool:
        assert self.written is not None
        return radio_setup.same(register, self._read(register), self.written[register])

    def works(self) -> bool:
        """Whether sends and interrupts can work through the pins that the settings named at the last `apply`."""
        return self._wired and self.written is not None and self._chip.alive

    @property
    def polls(self) -> bool:
        """No IRQ is wired: STATUS is looked at in every turn of the loop."""
        return self._pin(Function.RADIO_IRQ) == NO_PIN

    def stamps_late(self) -> int:
        """Ticks that stamps of the transceiver's events may be late: those between two looks at STATUS."""
        return round(self.probe.timing.poll_most * 1e6 / TICK_US) if self.polls else 0

    def noticed(self) -> float:
        """Seconds from an event of the transceiver to its stamp."""
        if not self.polls:
            return self.probe.isr()
        t, drawn = self.probe.timing, self.probe.chance.random()
        held = t.poll_most - t.poll if drawn < t.poll_busy else 0.0
        return drawn / t.poll_busy % 1.0 * (t.poll + held)

    def release(self) -> None:
        """A test is over: standby, nothing left in the stores."""
        self.on_packet = None
        self.turn(False)
        for command in (FLUSH_TX, FLUSH_RX):
            self.spi(command)
        self.clear_flags()

    @property
    def busy(self) -> bool:
        """Whether a long task uses the transceiver."""
        return "radio" in self.probe.busy.taken

    # ------------------------------------------------------------------ requests

    def radio_spi(self, message: msg.RadioSpi) -> Generator[float, None, Done]:
        if not 1 <= len(message.data) <= SPI_MOST:
            return Refusal(Error.LENGTH)
        if self._pin(Function.RADIO_CSN) == NO_PIN:
            return Refusal(Error.PIN)
        self.forget()
        yield self.spi_time(len(message.data))
        return msg.RadioSpiAnswer(data=self.spi(message.data))

    def present(self) -> bool:
        """STATUS bit 7 is always 0, and "pipe 6" does not exist (table 28)."""
        status = self.spi(bytes((Command.NOP,)))[0]
        return not status & 0x80 and status >> 1 & 7 != 6

    def radio_apply(self, message: msg.RadioApply) -> Generator[float, None, Done]:
        if not self.present():
            return Refusal(Error.PART)
        yield self.apply_time()
        wrong = self.apply()
        return msg.RadioApplyAnswer(status=self.spi(bytes((Command.NOP,)))[0], wrong=wrong)

    def radio_send(self, message: msg.RadioSend) -> Generator[float, None, Done]:
        if not 1 <= len(message.data) <= PAYLOAD_MAX:
            return Refusal(Error.LENGTH)
        self.probe.busy.take("radio", "radio_send")
        try:
            return (yield from self._send(message.data, bool(message.no_ack)))
        finally:
            self.probe.busy.free("radio")

    def _send(self, payload: bytes, no_ack: bool) -> Generator[float, None, Done]:
        plain = radio_setup.fixed_length(self.probe.settings.number)
        self.length = len(payload)
        if not self.good or plain:
            yield self.apply_time()
            if self.apply():
                return Refusal(Error.PART)
            yield START_UP
        self.turn(False)
        self.clear_flags()
        command = Command.W_TX_PAYLOAD_NOACK if no_ack or plain else Command.W_TX_PAYLOAD
        yield self.spi_time(1 + len(payload))
        self.spi(bytes((command,)) + payload)
        began = self.probe.agenda.now
        self.ce(1)
        yield CE_PULSE
        self.ce(0)
        while not self._flagged() and self.probe.agenda.now - began < SEND_MOST:
            yield self.probe.timing.poll if self.polls else self.probe.timing.loop
        took = self.probe.agenda.now - began
        return self._sent(self.clear_flags(), took)

    def _flagged(self) -> bool:
        if self.polls:
            return bool(self.spi(bytes((Command.NOP,)))[0] & FLAGS)
        return not self.probe.hardware.level(self._pin(Function.RADIO_IRQ))

    def _sent(self, status: int, took: float) -> Done:
        if not status & (TX_DS | MAX_RT):
            self.spi(FLUSH_TX)
            return Refusal(Error.PART, self.spi(bytes((Command.NOP,)))[0])
        if status & MAX_RT:
            self.spi(FLUSH_TX)
        retries = self.spi(radio_setup.read(Reg.OBSERVE_TX))[1] & 0x0F
        back = self._taken() if status & RX_DR else b""
        ok = int(bool(status & TX_DS))
        return msg.RadioSendAnswer(ok=ok, retries=retries, took=min(0xFFFF, int(took * 1e6)), data=back)

    def _taken(self) -> bytes:
        """The payload on top of the receive store; b"" where its width is damaged."""
        width = self.spi(bytes((Command.R_RX_PL_WID, Command.NOP)))[1]
        if not 0 < width <= PAYLOAD_MAX:
            self.spi(FLUSH_RX)
            return b""
        return self.spi(bytes((Command.R_RX_PAYLOAD,)) + bytes(width))[1:]

    # ------------------------------------------------------------------ energy scan

    def energy_scan(self, message: msg.EnergyScan) -> Generator[float, None, Done]:
        m = message
        if not (m.first <= m.last < CHANNELS and m.dwell_us >= DWELL_LEAST_US and m.sweeps):
            return Refusal(Error.VALUE)
        self.length = PAYLOAD_MAX
        yield self.apply_time()
        if self.apply():
            return Refusal(Error.PART)
        self.probe.busy.take("radio", "energy_scan")
        self.probe.run(self._sweeps(m.first, m.last, self.probe.seconds(2 * m.dwell_us), m.sweeps))
        return msg.EnergyScanAnswer()

    def _sweeps(self, first: int, last: int, dwell: float, sweeps: int) -> Generator[float, None, None]:
        yield START_UP
        for sweep in range(sweeps):
            for channel in range(first, last + 1):
                self.spi(radio_setup.write(Reg.RF_CH, bytes((channel,))))
                self.spi(FLUSH_RX)
                self.turn(True)
                yield dwell
                self.ce(0)
                busy = self.spi(radio_setup.read(Reg.RPD))[1] & 1
                head, row = self._rows.head(sweep, channel), self._rows.pack(busy)
                self.probe.out.row(self._rows, head, row, follows=head[:2])
                yield 4 * self.spi_time(2)
            self.probe.out.flush()
        self.turn(False)
        self.apply()
        self.probe.busy.free("radio")
        self.probe.done(msg.EnergyScan, detail=sweeps)

    # ------------------------------------------------------------------ watch over the settings

    def _check_now_and_then(self) -> Generator[float, None, None]:
        while True:
            yield RADIO_CHECK
            if not self.busy:
                self.check()

    def check(self) -> None:
        """Look whether the chip still holds what was written; a difference is told of once and written over."""
        if self.written is None:
            return
        for register in self.written:
            if not self._holds(register):
                self._lost(register)
                return
        self._judge(True)

    def _lost(self, register: int) -> None:
        assert self.written is not None
        if self.good:
            self.base.radio_losses = min(0xFFFF, self.base.radio_losses + 1)
            self.probe.event(
                msg.RadioLost(
                    at=self.probe.tick(),
                    reg=register,
                    found=self._read(register)[0],
                    expected=self.written[register][0],
                )
            )
        self._judge(False)
        self.ce(0)
        self._write_all()
        if self.receiving:
            self.ce(1)
