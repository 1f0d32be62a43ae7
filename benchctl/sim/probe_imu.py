"""The two-wire bus and the inertial sensor's stream."""

from __future__ import annotations

import struct
from collections.abc import Generator

from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.wire import msg
from benchctl.wire.catalogue import Error

#: addresses that a device may have (UM10204, table 4: the rest are reserved)
ADDRESSES = range(0x08, 0x78)
#: TWI status: address not acknowledged on a write (ATmega328P data sheet, table 22-2)
NOT_ACKNOWLEDGED = 0x20
READ_MOST = 64
INTERVAL_LEAST_US = 1000
#: registers of the stream: acceleration, temperature, rate (MPU-6000 register map, 0x3B to 0x48)
FIRST_REGISTER = 0x3B
_SAMPLE = struct.Struct(">7h")


class Sensor:
    """Requests 0x40 to 0x43."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self._rows = RowKind(msg.ImuRows)
        self.handlers: Handlers = {
            msg.TwiScan: self.twi_scan, msg.TwiRead: self.twi_read, msg.TwiWrite: self.twi_write,
            msg.ImuStream: self.imu_stream,
        }  # fmt: skip

    def _time(self, count: int) -> float:
        """Seconds of a transfer of so many bytes, addresses included."""
        return self.probe.timing.twi_frame + count * self.probe.timing.twi_byte

    def twi_scan(self, message: msg.TwiScan) -> Generator[float, None, Done]:
        found = [a for a in ADDRESSES if self.probe.hardware.twi(a, b"", 0) is not None]
        yield len(ADDRESSES) * self._time(1)
        return msg.TwiScanAnswer(lines=0, data=bytes(found))

    def twi_read(self, message: msg.TwiRead) -> Generator[float, None, Done]:
        m = message
        if m.address > 0x7F or not 1 <= m.count <= READ_MOST:
            return Refusal(Error.VALUE)
        yield self._time(3 + m.count)
        data = self.probe.hardware.twi(m.address, bytes((m.reg,)), m.count)
        return (
            msg.TwiReadAnswer(status=NOT_ACKNOWLEDGED, data=b"")
            if data is None
            else msg.TwiReadAnswer(status=0, data=data)
        )

    def twi_write(self, message: msg.TwiWrite) -> Generator[float, None, Done]:
        m = message
        if m.address > 0x7F:
            return Refusal(Error.VALUE)
        yield self._time(2 + len(m.data))
        done = self.probe.hardware.twi(m.address, bytes((m.reg,)) + m.data, 0)
        return msg.TwiWriteAnswer(status=NOT_ACKNOWLEDGED if done is None else 0)

    def imu_stream(self, message: msg.ImuStream) -> Done:
        m = message
        if m.address > 0x7F or not m.count or m.interval_us < INTERVAL_LEAST_US:
            return Refusal(Error.VALUE)
        if self.probe.hardware.twi(m.address, bytes((FIRST_REGISTER,)), 1) is None:
            return Refusal(Error.PART)
        self.probe.busy.take("twi", "imu_stream")
        self.probe.run(self._stream(m.address, self.probe.seconds(2 * m.interval_us), m.count))
        return msg.ImuStreamAnswer()

    def _stream(self, address: int, interval: float, count: int) -> Generator[float, None, None]:
        probe, rows = self.probe, self._rows
        status, sent = 0, 0
        for number in range(count):
            data = probe.hardware.twi(address, bytes((FIRST_REGISTER,)), _SAMPLE.size)
            if data is None:
                status = Error.PART
                break
            head = rows.head(number, probe.tick())
            probe.out.row(rows, head, rows.pack(*_SAMPLE.unpack(data)), follows=b"")
            sent += 1
            yield interval
        probe.out.flush()
        probe.busy.free("twi")
        probe.done(msg.ImuStream, int(status), sent)
