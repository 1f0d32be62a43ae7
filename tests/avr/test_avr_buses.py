"""SPI and TWI against the data sheet: byte times of every divider, transactions, every master status code."""

import pytest

from benchctl.avr.chip import Chip

START = 0.07


class Recorder:
    """An SPI device that answers each command with three bytes made of it, and keeps what it was told."""

    def __init__(self):
        self.told = []

    def select(self, time):
        return 0x0E

    def command(self, byte, time):
        self.told.append([byte])
        return bytes([byte ^ 0xFF, 1, 2])

    def finish(self, data, time):
        self.told[-1].append(data)


#: SPR1:0 and SPI2X to divider, data sheet table "Relationship Between SCK and the Oscillator Frequency"
DIVIDERS = [(0, 0, 4), (1, 0, 16), (2, 0, 64), (3, 0, 128), (0, 1, 2), (1, 1, 8), (2, 1, 32), (3, 1, 64)]


@pytest.mark.parametrize(("select", "double", "divider"), DIVIDERS)
def test_spi_byte_time(build, rig, select, double, divider):
    """Eight bits of `divider` cycles a byte, plus the polling loop."""
    chip = Chip(build("spi"))
    bench = rig(chip)
    bench.run(START)
    took = {}
    for count in (2, 10):
        data = bench.ask(chip, bytes([0x50 | select, double, count]) + bytes(count), 0.01)
        took[count] = int.from_bytes(data[-2:], "little")
    per_byte = (took[10] - took[2]) / 8

    assert 8 * divider <= per_byte <= 8 * divider + 24
    assert chip.spi_bytes == 12


def test_spi_transaction(build, rig):
    """Status comes with the command byte, the answer after it, zeros beyond; the device gets what follows it."""
    chip, device = Chip(build("spi")), Recorder()
    chip.connect_spi(device, "PB1")
    bench = rig(chip)
    bench.run(START)
    answer = bench.ask(chip, bytes([0x50, 1, 6, 0x61, 10, 11, 12, 13, 14]))
    bench.ask(chip, bytes([0x50, 1, 1, 0xFF]))

    assert answer[:6] == bytes([0x0E, 0x9E, 1, 2, 0, 0])
    assert device.told == [[0x61, bytes([10, 11, 12, 13, 14])], [0xFF, b""]]


def test_spi_device_without_chip_select(build, rig):
    chip = Chip(build("spi"))
    chip.connect_spi_bytes(lambda byte, time: byte ^ 0x55)
    bench = rig(chip)
    bench.run(START)

    assert bench.ask(chip, bytes([0x50, 0, 3, 1, 2, 3]))[:3] == bytes([1 ^ 0x55, 2 ^ 0x55, 3 ^ 0x55])


def test_a_failing_part_is_reported_not_swallowed(build, rig):
    class Broken(Recorder):
        def finish(self, data, time):
            raise RuntimeError("the part is broken")

    chip = Chip(build("spi"))
    chip.connect_spi(Broken(), "PB1")
    bench = rig(chip)
    bench.run(START)

    with pytest.raises(RuntimeError, match="the part is broken"):
        bench.ask(chip, bytes([0x50, 1, 2, 1, 2]))


class Sensor:
    """A TWI device at 0x68 with registers; refuses bytes above 0xF0."""

    def __init__(self):
        self.pointer, self.fresh, self.log = 0, True, []

    def start(self, address, reading):
        self.log.append(("start", address, reading))
        self.fresh = not reading
        return address == 0x68

    def write(self, byte):
        self.log.append(("write", byte))
        if self.fresh:
            self.pointer, self.fresh = byte, False
        return byte <= 0xF0

    def read(self):
        self.log.append(("read",))
        self.pointer += 1
        return 0x10 + self.pointer - 1

    def stop(self):
        self.log.append(("stop",))


def twi(build, rig):
    chip, device = Chip(build("twi")), Sensor()
    chip.connect_twi(device)
    bench = rig(chip)
    bench.run(START)

    def told(command):
        data = bench.ask(chip, command, 0.002)
        return data[0], data[1], int.from_bytes(data[2:], "little")

    return told, device


def test_every_master_status_code(build, rig):
    """Data sheet tables "Status codes for Master Transmitter Mode" and "… Master Receiver Mode"; 0xF8 after a stop."""
    told, device = twi(build, rig)

    assert told(b"s")[0] == 0x08
    assert told(b"w\xd0")[0] == 0x18  # SLA+W, acknowledged
    assert told(b"w\x05")[0] == 0x28  # data, acknowledged
    assert told(b"w\xf1")[0] == 0x30  # data, not acknowledged
    assert told(b"s")[0] == 0x10  # repeated start
    assert told(b"w\xd1")[0] == 0x40  # SLA+R, acknowledged
    assert told(b"a")[:2] == (0x50, 0x15)
    assert told(b"n")[:2] == (0x58, 0x16)
    assert told(b"p")[0] == 0xF8
    assert told(b"s")[0] == 0x08
    assert told(b"w\xd2")[0] == 0x20  # nobody at 0x69
    assert told(b"s")[0] == 0x10
    assert told(b"w\xd3")[0] == 0x48
    assert told(b"p")[0] == 0xF8
    assert device.log == [
        ("start", 0x68, False), ("write", 0x05), ("write", 0xF1), ("start", 0x68, True), ("read",), ("read",),
        ("stop",), ("start", 0x69, False), ("start", 0x69, True), ("stop",),
    ]  # fmt: skip


def test_twi_takes_the_bus_time(build, rig):
    """SCL = f / (16 + 2·TWBR·4^TWPS): TWBR 12 gives 400 kHz at 16 MHz, so nine bits are 360 cycles."""
    told, _ = twi(build, rig)
    told(b"s")

    for command in (b"w\xd0", b"w\x05"):
        assert 360 <= told(command)[2] <= 360 + 20


def test_twi_by_interrupt(build, rig):
    chip = Chip(build("twi_interrupt"))
    chip.connect_twi(Sensor())
    bench = rig(chip)
    bench.run(START)

    assert chip.receive_bytes() == bytes([0x15, 0x16])


def test_twi_without_devices(build, rig):
    chip = Chip(build("twi_interrupt"))
    bench = rig(chip)
    bench.run(START)

    assert chip.receive_bytes() == bytes([0xEE, 0x20])
