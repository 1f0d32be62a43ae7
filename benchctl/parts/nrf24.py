"""The transceiver as its pins show it: SPI transactions, CE, IRQ, supply. Register-level model of the nRF24L01+.

Source: nRF24L01+ Product Specification v1.0, sections 8 and 9. The data sheet allows W_REGISTER in power-down and
standby only; real chips take it always, so the model does too and counts it in `violations`.
"""

from __future__ import annotations

from benchctl.parts.nrf24_body import State
from benchctl.parts.nrf24_link import TransceiverConfig
from benchctl.parts.nrf24_machine import Machine
from benchctl.parts.nrf24_registers import (
    ACTIVATE_KEY,
    FLAGS,
    PAYLOAD_MAX,
    RX_EMPTY,
    RX_FULL,
    STATUS_TX_FULL,
    TX_EMPTY,
    TX_FULL,
    TX_REUSE,
    Command,
    Reg,
)
from benchctl.parts.nrf24_send import NOTHING_SENT, Reception, Transmission, send

__all__ = ["NOTHING_SENT", "Reception", "Transceiver", "TransceiverConfig", "Transmission"]

_WRITE_ALLOWED = (State.POWER_DOWN, State.STARTING, State.STANDBY_I, State.STANDBY_II)
_TEST_REGISTERS = range(0x18, 0x1C)
_RETUNING = (Reg.RF_CH, Reg.RF_SETUP)
#: commands that a variant with locked features does not know before ACTIVATE
_FEATURE_COMMANDS = (Command.R_RX_PL_WID, Command.W_TX_PAYLOAD_NOACK)


class Transceiver(Machine):
    """One chip. Calls come in the order of time; every effect of a transaction takes place when CSN rises.

    `select`, `command` and `finish` are the three moments of a transaction, `exchange` is all of them at once.
    `select` and `command` change nothing, so a wrapper may ask what would be answered.
    """

    _command = int(Command.NOP)

    # -- transactions -------------------------------------------------------------------------------------------

    def select(self, time: float) -> int:
        """CSN falls: the STATUS byte that goes out while the command comes in. An unpowered chip pulls MISO low."""
        return self.status() if self.alive else 0

    def command(self, byte: int, time: float) -> bytes:
        """The command byte is in: up to 32 bytes that go out next; beyond them the chip sends zeros."""
        self._command = byte
        if not self.alive:
            return b""
        if byte < Command.W_REGISTER:
            return self._register(byte, time)
        if byte == Command.R_RX_PAYLOAD:
            return self.rx.top()
        if byte == Command.R_RX_PL_WID and not self.bank.locked:
            return bytes((len(self.rx.top()),))
        return b""

    def finish(self, data: bytes, time: float) -> None:
        """CSN rises after the command and `data`, all bytes that came in after it."""
        byte, self._command = self._command, int(Command.NOP)
        if not self.alive:
            return
        if Command.W_REGISTER <= byte < 0x40:
            self._write_register(byte & 0x1F, data, time)
        elif Command.W_ACK_PAYLOAD <= byte <= Command.W_ACK_PAYLOAD + 7:
            self._write_ack_payload(byte & 7, data)
        elif byte in _FEATURE_COMMANDS and self.bank.locked:
            return
        elif byte in _EFFECTS:
            _EFFECTS[byte](self, data, time)

    def exchange(self, mosi: bytes, time: float) -> bytes:
        """A whole transaction: as many bytes come back as went in. No bytes: CSN pulsed for nothing."""
        status = self.select(time)
        if not mosi:
            return b""
        data = self.command(mosi[0], time)[: len(mosi) - 1]
        self.finish(mosi[1:], time)
        return bytes((status,)) + data + bytes(len(mosi) - 1 - len(data))

    def transact(self, payload: bytes, time: float, no_ack: bool = False) -> Transmission:
        """One whole send with its retransmissions, worked out at once from the present settings of all stations.

        CE rises at `time`, the payload being uploaded before; later when the chip is still sending or answering.
        Nothing comes of it when the chip is not powered up. It stands for firmware that serves every interrupt: the
        payload stores are left as they were, no flag stays set, and a payload given up is flushed. It counts in
        OBSERVE_TX, bursts and charge. Sends of several stations that overlap in time are judged in the order of the
        calls, so only the later one suffers. `no_ack` is honoured as W_TX_PAYLOAD_NOACK would be.
        """
        return send(self, payload, time, no_ack and self.bank.settings.dynamic_ack)

    def works(self, line: str) -> bool:
        """Whether the named line does its work; `Lines` has the answer that depends."""
        return self.config.fitted

    # -- reading ------------------------------------------------------------------------------------------------

    def status(self) -> int:
        """The STATUS register."""
        return self.flags | self.rx.pipe << 1 | (STATUS_TX_FULL if self.tx.full else 0)

    def _fifo_status(self) -> int:
        tx, rx = self.tx, self.rx
        return (
            (TX_REUSE if tx.reuse else 0) | (TX_FULL if tx.full else 0) | (0 if tx.items else TX_EMPTY)
            | (RX_FULL if rx.full else 0) | (0 if rx.items else RX_EMPTY)
        )  # fmt: skip

    def _register(self, register: int, time: float) -> bytes:
        if register == Reg.STATUS:
            return bytes((self.status(),))
        if register == Reg.FIFO_STATUS:
            return bytes((self._fifo_status(),))
        if register == Reg.OBSERVE_TX:
            return bytes((self.lost_count << 4 | self.retry_count,))
        if register == Reg.RPD:
            return bytes((self.received_power(time),))
        return self.bank.read(register)

    # -- effects of the commands --------------------------------------------------------------------------------

    def _write_register(self, register: int, data: bytes, time: float) -> None:
        if not data:
            return
        if register == Reg.STATUS:
            self._clear_flags(data[0] & FLAGS, time)
            return
        if self.state not in _WRITE_ALLOWED:
            self.violations["register written outside power-down and standby"] += 1
        if register in _TEST_REGISTERS:
            self.violations["test register written"] += 1
        self.bank.write(register, data)
        if register == Reg.RF_CH:
            self.lost_count = 0
        if register in _RETUNING:
            self.retuned(time)
        elif register == Reg.CONFIG:
            self._refresh_irq(time)
            self.configured(time)

    def _clear_flags(self, flags: int, time: float) -> None:
        self.flags &= ~flags
        self._refresh_irq(time)
        self.decide(time)

    def _write_ack_payload(self, pipe: int, data: bytes) -> None:
        if pipe < 6 and data and self.bank.settings.ack_payloads:
            self.tx.push(self.upload(data[:PAYLOAD_MAX], pipe=pipe))

    def _write_payload(self, data: bytes, time: float) -> None:
        self._queue(data, time, no_ack=False)

    def _write_payload_no_ack(self, data: bytes, time: float) -> None:
        self._queue(data, time, no_ack=self.bank.settings.dynamic_ack)

    def _queue(self, data: bytes, time: float, no_ack: bool) -> None:
        if data and not self.tx.full:
            self.tx.reuse = False
            self.tx.push(self.upload(data[:PAYLOAD_MAX], no_ack))
            self.decide(time)

    def _read_payload(self, data: bytes, time: float) -> None:
        if data:
            self.rx.pop()

    def _read_width(self, data: bytes, time: float) -> None:
        pass

    def _flush_tx(self, data: bytes, time: float) -> None:
        self.tx.flush()
        self.decide(time)

    def _flush_rx(self, data: bytes, time: float) -> None:
        self.rx.flush()

    def _reuse(self, data: bytes, time: float) -> None:
        """What waits, or else what was sent last, is sent over and over while CE is high."""
        if not self.tx.items and self.last_upload is not None:
            self.tx.push(self.last_upload)
        self.tx.reuse = bool(self.tx.items)
        self.decide(time)

    def _activate(self, data: bytes, time: float) -> None:
        if data and data[0] == ACTIVATE_KEY:
            self.bank.activate()


_EFFECTS = {
    int(Command.ACTIVATE): Transceiver._activate,
    int(Command.R_RX_PL_WID): Transceiver._read_width,
    int(Command.R_RX_PAYLOAD): Transceiver._read_payload,
    int(Command.W_TX_PAYLOAD): Transceiver._write_payload,
    int(Command.W_TX_PAYLOAD_NOACK): Transceiver._write_payload_no_ack,
    int(Command.FLUSH_TX): Transceiver._flush_tx,
    int(Command.FLUSH_RX): Transceiver._flush_rx,
    int(Command.REUSE_TX_PL): Transceiver._reuse,
}
