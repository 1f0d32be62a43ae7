"""The chip's serial line: byte times, flow of bytes, damage by a wrong clock, register semantics."""

import itertools

import pytest

from benchctl.avr.chip import Chip, Reset
from benchctl.parts.oscillator import Oscillator, OscillatorConfig

START = 0.07  # everything has started up


def chip_at(image, ppm=0.0, **more):
    return Chip(image, oscillator=Oscillator(OscillatorConfig(ppm=ppm)), **more)


def test_echo_at_500_kbaud_takes_two_byte_times_a_byte_and_loses_none(build, rig):
    """8N1 is ten bits, so 20 µs a byte at 500 kbaud; the echo ends one byte-time after what it echoes."""
    chip = Chip(build("echo"))
    bench = rig(chip)
    bench.run(START)
    chip.send(bytes(range(255)), START)
    bench.run(0.01)
    got = chip.receive()

    assert b"".join(b for b, _ in got) == bytes(range(1, 256))
    assert [b - a for (_, a), (_, b) in itertools.pairwise(got)] == pytest.approx([20e-6] * 254, abs=2e-6)
    assert 39e-6 < got[0][1] - START < 42e-6


def test_other_rates(build, rig):
    """1 Mbaud exactly (UBRR 1), and 115 200 with the divisor whose error is 2.1 % (data sheet table "Examples of UBRRn
    Settings": 16 MHz, U2X, UBRR 16, 2.1 %), which 8N1 still bears."""
    for divisor, baud in ((1, 1_000_000), (16, 115_200)):
        chip = Chip(build("echo", DIVISOR=divisor))
        chip.set_baud(baud)
        bench = rig(chip)
        bench.run(START)

        assert bench.ask(chip, b"mudlark\x00\xff\x55", 0.01) == bytes((b + 1) & 0xFF for b in b"mudlark\x00\xff\x55")


def test_a_wrong_rate_damages_bytes(build, rig):
    """The chip at 500 kbaud, the host at 460 800: 8 % apart, where 8N1 bears about 4 to 5 (common practice)."""
    chip = Chip(build("echo"))
    chip.set_baud(460_800)
    bench = rig(chip)
    bench.run(START)
    sent = bytes(range(0x7F))

    assert bench.ask(chip, sent, 0.01) != bytes(b + 1 for b in sent)


def test_a_fast_oscillator_sends_early(build, rig):
    """A clock 1 % fast shortens the byte times by 1 %."""
    chip = chip_at(build("transmit"), ppm=10_000)
    bench = rig(chip)
    bench.run(START)
    times = [t for _, t in chip.receive()][:200]

    assert abs((times[-1] - times[0]) / 199 - 20e-6 / 1.01) < 1e-11


def test_transmit_by_interrupt_is_gapless(build, rig):
    chip = Chip(build("transmit"))
    bench = rig(chip)
    bench.run(START)
    got = chip.receive()
    steps = {round((t2 - t1) * 16e6) for (_, t1), (_, t2) in itertools.pairwise(got[:200])}

    assert b"".join(b for b, _ in got) == bytes(range(200)) + b"\xe1"
    assert steps == {320}


def test_overrun_keeps_the_first_two_and_sets_the_flag(build, rig):
    """Two bytes fit the FIFO (data sheet "Receive Buffer"); RXC is 0x80, UDRE 0x20 (gone
    while an answer waits to be sent), DOR 0x08 (until the first is read), U2X 0x02."""
    chip = Chip(build("poll"))
    bench = rig(chip)
    bench.run(0.0655)
    answer = bench.ask(chip, b"abcd", 0.01)

    assert answer == bytes([0xAA, ord("a"), 0x82, ord("b"), 0])
    assert chip.overruns == 2


def test_bytes_sent_while_the_chip_is_held_are_lost(build, rig):
    chip = Chip(build("echo"))
    bench = rig(chip)
    bench.run(START)
    chip.hold_reset()
    chip.send(b"xyz", START)
    bench.run(0.001)
    chip.send(b"xyz", bench.lockstep.now + 0.01)  # in the middle of the start-up
    chip.release(Reset.EXTERNAL)
    bench.run(START)

    assert chip.receive() == []
    assert bench.ask(chip, b"a") == b"b"
