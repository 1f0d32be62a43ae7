"""Converter, EEPROM, resets, pins, images, crashes."""

import itertools
import random

import pytest

from benchctl.avr.build_shim import available, load
from benchctl.avr.chip import BAND_GAP, RAM_END, RAM_START, SUPPLY, Chip, Line, Reset, pin_number
from benchctl.avr.image import read_image
from benchctl.avr.wiring import Wiring, adc_channel, pin_name
from benchctl.errors import BoardError, UsageError
from benchctl.parts.signal import Signal
from benchctl.parts.switch import LET_GO

START = 0.07


def started(build, rig, name, **more):
    chip = Chip(build(name), **more)
    bench = rig(chip)
    bench.run(START)
    return chip, bench


def convert(bench, chip, admux):
    data = bench.ask(chip, bytes([admux]))
    return int.from_bytes(data[:2], "little"), int.from_bytes(data[2:], "little")


# ---- converter


@pytest.mark.parametrize("supply", [2.7, 3.3, 5.0])
def test_band_gap_against_supply(build, rig, supply):
    """ADC = V·1024/Vref (data sheet "ADC Conversion Result"), 1.1 V band gap, 13 ADC clocks of 8 µs."""
    chip, bench = started(build, rig, "adc")
    chip.set_volts(SUPPLY, supply)
    code, took = convert(bench, chip, 0x4E)

    assert code == int(1.1 * 1024 / supply)
    assert 13 * 128 <= took <= 13 * 128 + 24


def test_internal_reference_and_channels(build, rig):
    chip, bench = started(build, rig, "adc")
    chip.set_volts(0, 0.55)
    chip.set_volts(7, 3.0)
    chip.set_volts(BAND_GAP, 1.08)

    assert convert(bench, chip, 0xC0)[0] == int(0.55 * 1024 / 1.08)
    assert convert(bench, chip, 0xC7)[0] == 1023
    assert convert(bench, chip, 0x47)[0] == int(3.0 * 1024 / 5.0)
    assert convert(bench, chip, 0x4F)[0] == 0


def test_voltages_are_those_at_the_sample(build, rig):
    """The sample is 1.5 ADC clocks (12 µs at prescaler 128) after the start: a step just before counts, one just after
    does not."""
    for shift, expected in ((-1e-6, 1023), (+1e-6, 0)):
        chip, bench = started(build, rig, "adc")
        asked = []

        def volts(time, asked=asked):
            asked.append(time)
            return 2.0

        chip.ask_volts(3, volts)
        convert(bench, chip, 0x43)
        asked_at = asked[-1] - START
        chip, bench = started(build, rig, "adc")
        chip.ask_volts(3, lambda t, s=shift, at=asked_at: 5.0 if t >= START + at + s else 0.0)

        assert convert(bench, chip, 0x43)[0] == expected


def test_auto_trigger_by_compare_match(build, rig):
    """Timer 1's compare match B starts a conversion each millisecond; sampled two ADC clocks (4 µs) after it."""
    chip = Chip(build("adc_trigger"))
    times = []
    chip.ask_volts(0, lambda t: times.append(t) or 2.5)
    rig(chip).run(0.08)
    steps = [b - a for a, b in itertools.pairwise(times[1:])]
    data = chip.receive_bytes()

    assert len(steps) > 8
    assert steps == pytest.approx([1e-3] * len(steps), abs=1e-12)
    assert data[2:4] == (512).to_bytes(2, "little")


# ---- EEPROM


def test_eeprom_takes_its_time_and_keeps_its_contents(build, rig):
    """Erase and write in one operation: 3.4 ms (data sheet table "EEPROM Mode Bits")."""
    chip, bench = started(build, rig, "eeprom")
    data = bench.ask(chip, bytes([17, 0xA5]), 0.01)

    assert int.from_bytes(data[:2], "little") * 4e-6 == pytest.approx(3.4e-3, abs=0.05e-3)
    assert data[2] == 0xA5
    assert chip.eeprom[16:19] == b"\xff\xa5\xff"
    assert chip.eeprom_writes == 1
    again = Chip(build("eeprom"))
    again.write_eeprom(chip.eeprom)
    assert again.eeprom == chip.eeprom
    again.close()
    with pytest.raises(UsageError, match="do not fit"):
        chip.write_eeprom(b"12", 1023)


# ---- signature row


def test_signature_and_fuses(build, rig):
    """0x1E 0x95 0x0F (data sheet table "Device ID"); LPM's order of fuses: low, lock, extended, high."""
    chip = Chip(build("row"))
    chip.set_fuses(low=0xF7, high=0xD6, extended=0xFD, lock=0xCF)
    rig(chip).run(START)

    assert chip.receive_bytes() == bytes([0x1E, 0x95, 0x0F, 0xF7, 0xCF, 0xFD, 0xD6, 0])
    assert chip.flash[: len(chip.image)] == chip.image


# ---- resets


def test_reset_causes_and_what_ram_keeps(build, rig):
    """MCUSR has the cause alone, once the flags have been cleared; RAM survives all but a power-on."""
    chip = Chip(build("reset"), chance=random.Random(7))
    bench = rig(chip)
    bench.run(START)
    first = chip.receive_bytes()
    expected = random.Random(7).randbytes(RAM_END - RAM_START)
    address = bytes(chip.ram[RAM_START:RAM_END]).index(0x5A)
    for cause, kept in ((Reset.EXTERNAL, True), (Reset.BROWN_OUT, True), (Reset.POWER_ON, False)):
        chip.hold_reset()
        bench.run(0.01)
        chip.release(cause)
        bench.run(START)
        flags, old = chip.receive_bytes()

        assert flags == cause
        assert (old == 0x5A) is kept
    assert first[0] == Reset.POWER_ON
    assert first[1] in expected
    assert address >= 0
    assert chip.resets(Reset.POWER_ON) == 2


def test_watchdog_reset(build, rig):
    """WDTO_30MS: 4096 cycles of 128 kHz, 32 ms (data sheet table "Watchdog Timer Prescale Select"); then WDRF."""
    seen = []
    chip, bench = started(build, rig, "reset")
    chip.on_reset = lambda cause, time: seen.append((cause, time))
    chip.receive_bytes()
    asked = bench.lockstep.now
    chip.send(b"w", asked)
    bench.run(0.2)

    assert [cause for cause, _ in seen] == [Reset.WATCHDOG]
    assert seen[0][1] - asked == pytest.approx(32e-3, abs=0.1e-3)
    assert chip.receive_bytes() == bytes([Reset.WATCHDOG, 0x5A])
    assert bench.ask(chip, b"x") == b"x"


def test_a_new_watchdog_period_counts_at_once(build, rig):
    """After a watchdog reset it runs on at its shortest period, 16 ms; a program that sets 0.125 s gets that."""
    seen = []
    chip = Chip(build("watchdog"))
    chip.on_reset = lambda cause, time: seen.append(time)
    rig(chip).run(0.5)
    steps = [b - a - 0.065 for a, b in itertools.pairwise(seen)]

    assert steps[0] == pytest.approx(0.032, abs=0.1e-3)
    assert steps[1] == pytest.approx(0.128, abs=0.1e-3)


def test_a_reset_asked_for_by_a_part_within_a_call(build, rig):
    """A part may pull reset while the chip is telling it something, as a collapsing supply does."""
    chip, bench = started(build, rig, "pulse")
    chip.watch("PB1", lambda level, time: chip.hold_reset())
    bench.run(0.1)

    assert chip.held


def test_resets_by_agenda_at_exact_times(build, rig):
    chip, bench = started(build, rig, "reset")
    seen = []
    chip.watch("PD4", lambda level, time: seen.append((level, time)))
    chip.drive("PD4", Line.PULLED_DOWN, 0.0)
    bench.agenda.at(0.0812345, chip.hold_reset)
    bench.agenda.at(0.0901, chip.release, Reset.BROWN_OUT)
    bench.run(0.2)

    assert seen[0] == (0, pytest.approx(0.0812345, abs=0.3e-6))
    assert seen[1] == (1, pytest.approx(0.0901 + 0.065, abs=50e-6))


def test_a_crash_is_a_sentence(build, rig):
    chip, bench = started(build, rig, "reset", label="mudlark-craft-03")

    with pytest.raises(BoardError, match=r"mudlark-craft-03: the program crashed at flash address 0x[0-9a-f]{4}"):
        bench.ask(chip, b"b")


def test_past_the_end_of_flash_the_program_starts_over(build, rig):
    """Erased flash is 0xFFFF, which the core takes for a skip; the counter wraps: a restart without a reset cause."""
    chip, bench = started(build, rig, "reset")
    chip.receive_bytes()

    assert bench.ask(chip, b"e", 0.01) == bytes([0, 0x5A])


def test_open_drain_is_seen_to_let_go(build, rig):
    """The chip pulls a line low and lets go of it; the line's own part hears both."""
    chip = Chip(build("pins"))
    pull, line = Signal("pull", 1.0), Signal("line", 1.0)
    pull.connect(lambda level, time: line.set(1.0 if level == LET_GO else level, time))  # as a switch with a pull-up does
    wiring = Wiring(chip)
    wiring.connect_open_drain("PC1", pull, line)
    bench = rig(chip)
    bench.run(START)

    assert bench.ask(chip, b"l")[0] & 2 == 0
    assert line.level == 0.0
    assert bench.ask(chip, b"f")[0] & 2 == 2
    assert line.level == 1.0


# ---- pins


def test_pin_change_and_external_interrupts(build, rig):
    chip, bench = started(build, rig, "pins")
    now = bench.lockstep.now
    for pin in ("PD2", "PD3", "PD4"):
        chip.drive(pin, Line.LOW, now)
    bench.run(1e-4)
    before = bench.ask(chip, b"r")
    now = bench.lockstep.now
    for i in range(3):
        for pin in ("PD2", "PD3", "PD4"):
            chip.drive(pin, Line.HIGH, now + (2 * i + 1) * 1e-4)
            chip.drive(pin, Line.LOW, now + (2 * i + 2) * 1e-4)
    bench.run(1e-3)
    after = bench.ask(chip, b"r")

    assert [a - b for a, b in zip(after[:3], before[:3], strict=True)] == [6, 3, 6]


def test_pull_ups_and_open_drain(build, rig):
    """The chip's pull-up holds a floating line; an outside resistor wins over it, a part's input
    does not; the chip wins over the resistor."""
    chip, bench = started(build, rig, "pins")
    chip.drive("PC1", Line.PULLED_UP, bench.lockstep.now)

    assert bench.ask(chip, b"?")[0] & 3 == 3
    assert bench.ask(chip, b"l")[0] & 3 == 1
    assert bench.ask(chip, b"f")[0] & 3 == 3
    chip.drive("PC0", Line.RESTS_LOW, bench.lockstep.now)
    assert bench.ask(chip, b"?")[0] & 3 == 3
    chip.drive("PC0", Line.PULLED_DOWN, bench.lockstep.now)
    assert bench.ask(chip, b"?")[0] & 3 == 2


def test_wiring_to_signals(build, rig):
    chip = Chip(build("reset"))
    led, switch = Signal("led"), Signal("switch", 1.0)
    wiring = Wiring(chip)
    wiring.connect_output("PD4", led)
    wiring.connect_input("PD3", switch)
    bench = rig(chip)
    bench.run(START)

    assert led.level == 1.0
    assert chip.level("PD3") == 1
    switch.set(0.0, bench.lockstep.now)
    bench.run(1e-5)
    assert chip.level("PD3") == 0
    chip.hold_reset()
    assert led.level == 0.0


def test_pin_names():
    assert [pin_name(c) for c in (0x10, 0x25, 0x34, 0x46)] == ["PB0", "PC5", "PD4", "ADC6"]
    assert [adc_channel(p) for p in ("PC0", "PC5", "ADC7")] == [0, 5, 7]
    assert pin_number("PD4") == 20
    for wrong in ("PA0", "PD8", "D4", ""):
        with pytest.raises(UsageError):
            pin_number(wrong)
    for code in (0x00, 0x18, 0x45, 0xFF):
        with pytest.raises(UsageError):
            pin_name(code)


# ---- images, building


def test_images_hex_and_elf_are_the_same(build, tmp_path):
    import subprocess

    elf = build("echo")
    out = tmp_path / "echo.hex"
    subprocess.run(["avr-objcopy", "-O", "ihex", str(elf), str(out)], check=True)

    assert read_image(out) == read_image(elf)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (":00000001FF\n", "0 bytes of program"),
        (":0400000001020304F2\n", "cut off"),
        (":0400000001020304F3\n:00000001FF\n", "line 1"),
        ("hello\n", "line 1"),
        (":02000004000EEC\n:0100000000FF\n:00000001FF\n", "expected 1 to 32768"),
    ],
)
def test_bad_images_are_refused(tmp_path, text, says):
    path = tmp_path / "bad.hex"
    path.write_text(text)

    with pytest.raises(UsageError, match=says):
        read_image(path)


def test_missing_image_and_wrong_elf(tmp_path):
    with pytest.raises(UsageError, match="cannot be read"):
        read_image(tmp_path / "none.hex")
    (tmp_path / "x.elf").write_bytes(b"\x7fELF\x02\x01" + bytes(60))
    with pytest.raises(UsageError, match="no 32-bit"):
        read_image(tmp_path / "x.elf")


def test_missing_tools_are_named(monkeypatch, tmp_path):
    """Without a compiler the reason says what to install; nothing is left behind."""
    from benchctl.avr import build_shim

    monkeypatch.setattr(build_shim, "user_cache_dir", lambda name: str(tmp_path))
    monkeypatch.setattr(build_shim.shutil, "which", lambda name: None)
    load.cache_clear()
    reason = available()
    load.cache_clear()

    assert reason is not None
    assert "C compiler" in reason
    assert "apt install gcc-avr" in reason


@pytest.mark.long
def test_of_two_processes_one_builds(avr_tools, tmp_path):
    """Both have the module in the end; the linker was called once."""
    import os
    import shutil
    import subprocess
    import sys

    calls, compiler = tmp_path / "calls", tmp_path / "cc"
    compiler.write_text(f'#!/bin/sh\necho "$*" >> {calls}\nexec {shutil.which("gcc")} "$@"\n')
    compiler.chmod(0o755)
    code = "from benchctl.avr.build_shim import load; load()"
    env = dict(os.environ, XDG_CACHE_HOME=str(tmp_path / "cache"), CC=str(compiler), LDSHARED=f"{compiler} -shared")
    running = [subprocess.Popen([sys.executable, "-c", code], env=env) for _ in range(2)]

    assert [p.wait() for p in running] == [0, 0]
    assert calls.read_text().count("-shared") == 1
    assert len(list((tmp_path / "cache" / "benchctl").iterdir())) == 1
