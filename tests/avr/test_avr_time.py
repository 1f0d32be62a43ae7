"""Time: cycles, timers, capture, compare outputs, two chips in step, jumpers."""

import itertools

import pytest

from benchctl.avr.chip import Chip, Reset
from benchctl.parts.oscillator import Oscillator, OscillatorConfig


def oscillator(ppm=0.0, drift=0.0):
    return Oscillator(OscillatorConfig(ppm=ppm, drift_ppm_per_s=drift))


def edges_of(chip, pin):
    seen = []
    chip.watch(pin, lambda level, time: seen.append((level, time)))
    return seen


def widths(seen):
    """Lengths of the high times."""
    return [t2 - t1 for (l1, t1), (_, t2) in itertools.pairwise(seen) if l1]


def test_instructions_take_the_data_sheets_cycles(build, rig):
    """sbi 2, nop 1 each, rjmp 2 (data sheet "Instruction Set Summary"): a pin toggles every 6 cycles; sbi on a PIN
    register toggles that pin alone."""
    chip = Chip(build("cycles"))
    seen, other = edges_of(chip, "PB5"), edges_of(chip, "PB4")
    rig(chip).run(0.0652)
    steps = {round((t2 - t1) * 16e6) for (_, t1), (_, t2) in itertools.pairwise(seen)}

    assert steps == {6}
    assert [level for level, _ in other] == [1]


@pytest.mark.parametrize("width", [2000, 3000, 4001])
def test_compare_outputs_are_exact_and_undisturbed(build, rig, width):
    """A pulse by compare outputs has its exact width though the port is written all the time."""
    chip = Chip(build("pulse", WIDTH=width))
    seen = edges_of(chip, "PB1")
    rig(chip).run(0.2)
    got = widths(seen)

    assert len(got) >= 6
    assert got == pytest.approx([width * 0.5e-6] * len(got), abs=1e-12)


def test_a_captured_pulse_is_exact(build, rig):
    """Input capture sees the half-microsecond ticks between edges from outside."""
    chip = Chip(build("capture"))
    bench = rig(chip)
    bench.run(0.07)
    start = 0.0701
    for i in range(5):
        chip.drive("PB0", 1, start + i * 2e-3)
        chip.drive("PB0", 0, start + i * 2e-3 + 1.5e-3)
    bench.run(0.015)
    data = chip.receive_bytes()
    ticks = [int.from_bytes(data[i : i + 2], "little") for i in range(0, len(data), 2)]

    assert [(b - a) & 0xFFFF for a, b in itertools.pairwise(ticks)] == [3000, 1000] * 4 + [3000]


@pytest.mark.parametrize("ppm", [0.0, 5000.0])
def test_a_jumper_keeps_pulse_widths(build, rig, ppm):
    """A pulse of one board's compare output, captured by the other: exact but for the other's tick and clock."""
    sender = Chip(build("pulse", WIDTH=3000), oscillator=oscillator(ppm), label="craft")
    receiver = Chip(build("capture"), label="hand")
    sender.wire("PB1", receiver, "PB0")
    seen = edges_of(receiver, "PB0")
    rig(sender, receiver, wired=True).run(0.3)
    data = receiver.receive_bytes()
    ticks = [int.from_bytes(data[i : i + 2], "little") for i in range(0, len(data), 2)]
    captured = [(b - a) & 0xFFFF for a, b in zip(ticks[::2], ticks[1::2], strict=False)]
    expected = 3000 / (1 + ppm * 1e-6)

    assert len(captured) > 8
    assert all(abs(c - expected) <= 1 for c in captured)
    assert widths(seen) == pytest.approx([expected * 0.5e-6] * len(widths(seen)), abs=1 / 16e6)


def test_a_wider_count_survives_compare_writes(build, rig):
    """32 bits from timer 1 agree with true time, whatever is done to other registers of the timer."""
    chip = Chip(build("ticks"))
    bench = rig(chip)
    bench.run(0.07)
    read = []
    for _ in range(20):
        data = bench.ask(chip, b"?", 0.0137)
        read.append(int.from_bytes(data, "little"))
    steps = [b - a for a, b in itertools.pairwise(read)]

    assert all(abs(step - 27400) <= 12 for step in steps)  # the polling loop takes up to 6 µs
    assert abs(read[-1] - read[0] - 19 * 27400) <= 12


def test_two_chips_stay_in_step_within_a_tenth_of_a_microsecond(build, rig):
    """Clocks 0.5 % to either side: each toggles by its own clock, and both have seen the same true time."""
    fast = Chip(build("cycles"), oscillator=oscillator(5000), label="hand")
    slow = Chip(build("cycles"), oscillator=oscillator(-5000), label="craft")
    bench = rig(fast, slow)
    for _ in range(7):
        bench.run(0.0153)
        now = bench.lockstep.now

        assert abs(fast.time_of(fast.cycle) - now) < 0.4e-6  # an instruction and an interrupt may be under way
        assert abs(slow.time_of(slow.cycle) - now) < 0.4e-6
    ratio = fast.cycle / slow.cycle

    assert ratio == pytest.approx(1.005 / 0.995, rel=1e-5)


def test_a_sleeping_chip_stays_in_step(build, rig):
    asleep, awake = Chip(build("echo"), label="hand"), Chip(build("cycles"), label="craft")
    bench = rig(asleep, awake)
    bench.run(0.1003)

    assert abs(asleep.time_of(asleep.cycle) - bench.lockstep.now) < 0.1e-6


def test_a_drifting_clock_is_followed(build, rig):
    """A drift of 1000 ppm a second: pulses of 20 ms shorten by 20 ppm each."""
    chip = Chip(build("pulse"), oscillator=oscillator(0.0, 1000.0))
    seen = edges_of(chip, "PB1")
    rig(chip).run(0.5)
    rises = [t for level, t in seen if level]
    periods = [b - a for a, b in itertools.pairwise(rises)]
    model = oscillator(0.0, 1000.0)
    true = [(model.ticks(b) - model.ticks(a)) / 2e6 for a, b in itertools.pairwise(rises)]

    assert periods[0] - periods[-1] == pytest.approx(20e-3 * 1e-3 * (rises[-2] - rises[0]), rel=0.02)
    assert true == pytest.approx([20e-3] * len(true), abs=2e-7)


def test_no_interrupt_is_lost_around_sleep(build, rig):
    """SEI, SLEEP, CLI: one instruction runs after SEI, then what is pending is answered (data sheet "Reset and
    Interrupt Handling"). A millisecond timer and bytes at all phases of it are all counted."""
    chip = Chip(build("nap"))
    bench = rig(chip)
    bench.run(0.07)
    for i in range(200):
        chip.send(b"x", 0.07 + i * 1.0137e-3)
    bench.run(0.25)
    before = bench.ask(chip, b"r", 0.0005)
    bench.run(0.0995)
    after = bench.ask(chip, b"r", 0.0005)

    assert (before[0], after[0]) == (201, 202)
    assert int.from_bytes(after[1:], "little") - int.from_bytes(before[1:], "little") == 100


def waveform(build, rig, registers, pin, seconds=0.02):
    chip = Chip(build("waveforms"))
    bench = rig(chip)
    bench.run(0.07)
    chip.send(bytes(registers), 0.07)
    bench.run(0.001)
    seen = edges_of(chip, pin)
    bench.run(seconds)
    highs = {round(w * 16e6) for w in widths(seen)[1:]}
    rises = [t for level, t in seen if level]
    periods = {round((b - a) * 16e6) for a, b in itertools.pairwise(rises)}
    return highs, periods


def test_fast_pwm(build, rig):
    """Fast PWM, non-inverting, 1/8: 256 ticks a period, OCR+1 of them high (data sheet "Fast PWM Mode")."""
    highs, periods = waveform(build, rig, [0x83, 0x02, 99, 0, 0, 0, 0, 0], "PD6")

    assert (highs, periods) == ({100 * 8}, {256 * 8})


def test_phase_correct_pwm(build, rig):
    """Phase-correct PWM of timer 2, 1/32: 510 ticks a period, 2·OCR of them high (data sheet "Phase Correct PWM")."""
    highs, periods = waveform(build, rig, [0, 0, 0, 0, 0x81, 0x03, 100, 0], "PB3", 0.05)

    assert (highs, periods) == ({200 * 32}, {510 * 32})


def test_toggle_on_compare(build, rig):
    """CTC with toggling: f / (2·N·(1+OCR)) (data sheet "Clear Timer on Compare Match")."""
    highs, periods = waveform(build, rig, [0x42, 0x02, 49, 0, 0, 0, 0, 0], "PD6")

    assert (highs, periods) == ({400}, {800})


def test_a_held_chip_does_nothing_and_its_pins_float(build, rig):
    chip = Chip(build("pulse"))
    chip.drive("PB5", 3, 0.0)
    seen = edges_of(chip, "PB5")
    bench = rig(chip)
    bench.run(0.08)
    chip.hold_reset()
    del seen[:]
    bench.run(0.1)

    assert seen == []
    assert chip.level("PB5") == 0
    assert not chip.driven("PB5")
    chip.release(Reset.EXTERNAL)
    bench.run(0.08)
    assert len(seen) > 100
