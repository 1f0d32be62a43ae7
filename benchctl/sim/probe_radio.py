"""The transceiver's group: raw transactions, set-up, single sends, the energy scan, and the watch over its settings."""

from __future__ import annotations

from collections.abc import Callable, Generator

from benchctl.parts.nrf24_registers import FLAGS, MAX_RT, PAYLOAD_MAX, RX_DR, TX_DS, Command, Reg
from benchctl.sim import radio_setup
from benchctl.sim.probe import Done, Handler, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.rows import Rows
from benchctl.sim.timing import RADIO_CHECK
from benchctl.wire.catalogue import SETTINGS, Error, Function
from benchctl.wire.messages import Msg

#: bytes of one raw transaction
SPI_MOST = 33
CHANNELS = 126
#: standby after power-down takes up to 4.5 ms with slow crystals (Product Specification, table 16)
START_UP = 5e-3
#: a send has ended or hangs after this: 16 tries at 250 kbps
SEND_MOST = 0.1
#: settling before the received-power bit is of use (Product Specification, section 6.4: 130 + 40 µs)
SCAN_SETTLE = 170e-6
_FLUSH = bytes((Command.FLUSH_TX,)), bytes((Command.FLUSH_RX,))


class Radio:
    """Requests 0x10 to 0x13 and what the link, the loop and the loads need of the transceiver.

    applied: registers as written, by number; None when nothing has been set up since the start.
    """

    def __init__(self, probe: Probe, base: Base) -> None:
        self.probe = probe
        self.base = base
        self.applied: dict[int, bytes] | None = None
        self.receiving = False
        self.on_packet: Callable[[bytes, float], object] | None = None
        self._scan = Rows(probe, "scan")
        self.handlers: dict[str, Handler] = {
            "radio_spi": self.radio_spi,
            "radio_apply": self.radio_apply,
            "radio_send": self.radio_send,
            "energy_scan": self.energy_scan,
        }
        base.on_setting.append(self._setting_changed)
        probe.run(self._check_now_and_then())

    # ------------------------------------------------------------------ lines

    def _pin(self, function: Function) -> int:
        return self.probe.settings.pin(function)

    def spi(self, data: bytes) -> bytes:
        return self.probe.hardware.spi(data, self._pin(Function.RADIO_CSN))

    def ce(self, level: int) -> None:
        self.probe.hardware.set_ce(self._pin(Function.RADIO_CE), level)

    def spi_time(self, count: int) -> float:
        """Seconds of a transaction of so many bytes."""
        t = self.probe.timing
        return t.spi_frame + count * t.spi_byte

    # ------------------------------------------------------------------ set-up

    def set_up(self, receive: bool) -> int:
        """Write all registers and read them back; how many differ."""
        if self.probe.hardware.radio.bank.locked:
            self.spi(radio_setup.UNLOCK)
        self.applied = {}
        wrong = 0
        for register, data in radio_setup.registers(self.probe.settings, receive):
            self.spi(radio_setup.write(register, data))
            self.applied[register] = data
        for register in self.applied:
            wrong += not self._holds(register)
        for flush in _FLUSH:
            self.spi(flush)
        self.spi(radio_setup.write(Reg.STATUS, bytes((FLAGS,))))
        self.receiving = receive
        self.base.radio_ok = int(wrong == 0)
        return wrong

    def turn(self, receive: bool) -> None:
        """Sender or receiver from now on; the registers are set up already."""
        if self.applied is None or self.receiving == receive:
            return
        data = radio_setup.registers(self.probe.settings, receive)[-1][1]
        self.spi(radio_setup.write(Reg.CONFIG, data))
        self.applied[Reg.CONFIG] = data
        self.receiving = receive

    def _read(self, register: int) -> bytes:
        assert self.applied is not None
        return self.spi(radio_setup.read(register, len(self.applied[register])))[1:]

    def _holds(self, register: int) -> bool:
        assert self.applied is not None
        found, expected = self._read(register), self.applied[register]
        if register == Reg.CONFIG:
            return found[0] & radio_setup.CONFIG_MASK == expected[0] & radio_setup.CONFIG_MASK
        return found == expected

    def present(self) -> bool:
        """Whether STATUS can come from a working chip: bit 7 is always 0, RX_P_NO is never 110 (table 28)."""
        status = self.spi(bytes((Command.NOP,)))[0]
        return not status & 0x80 and (status >> 1) & 7 != 6

    def works(self) -> bool:
        """Whether sends and interrupts can work through the pins that the settings name."""
        pins = (self._pin(f) for f in (Function.RADIO_CE, Function.RADIO_CSN, Function.RADIO_IRQ))
        return self.probe.hardware.radio_works(*pins)

    def prepare(self, receive: bool) -> Generator[float, None, Refusal | None]:
        """Set up for a test: waits for the crystal, then CE as the role wants it. Refuses a chip that does not hold."""
        self.ce(0)
        if not self.present():
            return Refusal(Error.PART)
        wrong = self.set_up(receive)
        yield 30 * self.spi_time(3) + START_UP
        if wrong:
            return Refusal(Error.PART, wrong)
        self.ce(int(receive))
        return None

    def release(self) -> None:
        """A test is over: standby."""
        self.ce(0)
        self.on_packet = None

    # ------------------------------------------------------------------ requests

    def radio_spi(self, message: Msg) -> Generator[float, None, Done]:
        if not 1 <= len(message.data) <= SPI_MOST:
            return Refusal(Error.LENGTH, len(message.data))
        if "radio" in self.probe.busy.held:
            return Refusal(Error.BUSY)
        yield self.spi_time(len(message.data))
        if message.data[0] >> 5 == 1:
            self.applied = None  # whoever writes registers by hand answers for them
        return {}, self.spi(message.data)

    def radio_apply(self, message: Msg) -> Generator[float, None, Done]:
        if "radio" in self.probe.busy.held:
            return Refusal(Error.BUSY)
        self.ce(0)
        if not self.present():
            return Refusal(Error.PART)
        yield 30 * self.spi_time(3)
        wrong = self.set_up(False)
        yield START_UP
        return {"status": self.spi(bytes((Command.NOP,)))[0], "wrong": wrong}

    def radio_send(self, message: Msg) -> Generator[float, None, Done]:
        if not 1 <= len(message.data) <= PAYLOAD_MAX:
            return Refusal(Error.LENGTH, len(message.data))
        if message.no_ack > 1:
            return Refusal(Error.VALUE, message.no_ack)
        if not self.probe.busy.take("radio", "radio_send"):
            return Refusal(Error.BUSY)
        try:
            refused = yield from self._ready_to_send()
            if refused is not None:
                return refused
            return (yield from self._send(message.data, bool(message.no_ack)))
        finally:
            self.probe.busy.free("radio")

    def _ready_to_send(self) -> Generator[float, None, Refusal | None]:
        if self.applied is None:
            return (yield from self.prepare(False))
        self.ce(0)
        self.turn(False)
        yield self.spi_time(2)
        return None

    def _send(self, payload: bytes, no_ack: bool) -> Generator[float, None, Done]:
        """CE is pulsed and STATUS polled, as the firmware does where the interrupt line is of no use."""
        command = Command.W_TX_PAYLOAD_NOACK if no_ack else Command.W_TX_PAYLOAD
        agenda = self.probe.agenda
        yield self.spi_time(1 + len(payload))
        self.spi(bytes((command,)) + payload)
        began = agenda.now
        self.ce(1)
        status = 0
        while not status & (TX_DS | MAX_RT) and agenda.now - began < SEND_MOST:
            yield 25e-6
            status = self.spi(bytes((Command.NOP,)))[0]
            if agenda.now - began > 15e-6:
                self.ce(0)
        took = agenda.now - began
        observed = self.spi(radio_setup.read(Reg.OBSERVE_TX))[1] & 0x0F
        self.spi(radio_setup.write(Reg.STATUS, bytes((TX_DS | MAX_RT | RX_DR,))))
        self.spi(_FLUSH[0])
        if not status & (TX_DS | MAX_RT):
            return Refusal(Error.PART)
        return {"ok": int(bool(status & TX_DS)), "retries": observed, "took": min(0xFFFF, int(took * 1e6))}

    # ------------------------------------------------------------------ energy scan

    def energy_scan(self, message: Msg) -> Generator[float, None, Done]:
        m = message
        if not (m.first <= m.last < CHANNELS and m.dwell_us >= SCAN_SETTLE * 1e6 and m.sweeps):
            return Refusal(Error.VALUE)
        if not self.probe.busy.take("radio", "energy_scan"):
            return Refusal(Error.BUSY)
        refused = yield from self.prepare(True)
        if refused is not None:
            self.probe.busy.free("radio")
            return refused
        self.ce(0)
        self.probe.run(self._sweeps(m.first, m.last, m.dwell_us * 1e-6, m.sweeps))
        return {}

    def _sweeps(self, first: int, last: int, dwell: float, sweeps: int) -> Generator[float, None, None]:
        for sweep in range(sweeps):
            for channel in range(first, last + 1):
                self.spi(radio_setup.write(Reg.RF_CH, bytes((channel,))))
                self.ce(1)
                yield dwell
                self.ce(0)
                busy = self.spi(radio_setup.read(Reg.RPD))[1] & 1
                # after the dwell, during which the records so far may have been flushed
                if self._scan.empty:
                    self._scan.begin(sweep, channel)
                self._scan.add(self._scan.pack(busy))
                yield 2 * self.spi_time(2)
            self._scan.flush()
        self.applied = None
        self.probe.busy.free("radio")
        self.probe.done("energy_scan")

    # ------------------------------------------------------------------ watch over the settings

    def _setting_changed(self, key: int) -> None:
        if key in _RADIO_KEYS or key == -1:
            self.applied = None

    def _check_now_and_then(self) -> Generator[float, None, None]:
        while True:
            yield RADIO_CHECK
            self.check()

    def check(self) -> bool:
        """Compare with what was written; tell of the first register that differs and set everything up again."""
        if self.applied is None:
            return True
        for register in self.applied:
            if not self._holds(register):
                self._lost(register)
                return False
        self.base.radio_ok = 1
        return True

    def _lost(self, register: int) -> None:
        assert self.applied is not None
        base, probe = self.base, self.probe
        base.radio_losses = min(0xFFFF, base.radio_losses + 1)
        found, expected = self._read(register)[0], self.applied[register][0]
        probe.event("radio_lost", {"at": probe.tick(), "reg": register, "found": found, "expected": expected})
        receive, listening = self.receiving, self.on_packet is not None
        self.set_up(receive)
        if receive and listening:
            self.ce(0)
            probe.later(START_UP, self.ce, 1)


#: of the settings that go into registers
_RADIO_KEYS = tuple(s.key for s in SETTINGS if s.name.startswith("radio_"))
