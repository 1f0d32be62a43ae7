"""The shipped image: what it is, that it talks, remembers, and knows why it started."""

import binascii
import json
import shutil
import subprocess
from importlib.resources import files
from pathlib import Path

import pytest
from needs import need

from benchctl.avr.image import read_image
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import CauseFrom, ResetCause

IMAGES = Path(str(files("benchctl") / "data" / "images"))
MANIFEST = json.loads((IMAGES / "manifest.json").read_text())
FIRMWARE = Path(__file__).parents[2] / "firmware_probe"
#: bytes of RAM that the deepest stack must leave
STACK_FREE = 500


def test_manifest_describes_the_images():
    for name, entry in MANIFEST["images"].items():
        data = read_image(IMAGES / name)

        assert f"{binascii.crc32(data):08x}" == entry["crc32"], name
        assert len(data) == entry["bytes"] <= 30_500, name


@pytest.mark.long
@pytest.mark.usefixtures("avr_gcc")
def test_a_rebuild_gives_the_shipped_images(tmp_path):
    """Byte for byte, from a copy of the sources at another place."""
    copy = tmp_path / "elsewhere" / "firmware_probe"
    shutil.copytree(FIRMWARE, copy, ignore=shutil.ignore_patterns("build", "__pycache__"))
    subprocess.run(["make", "-s", "-C", str(copy), "all"], check=True, capture_output=True)
    for elf in sorted((copy / "build").glob("*.elf")):
        # 32-bit entry at offset 24 (ELF header, "e_entry"): the reset vector, not a symbol that happens to be `start`
        assert int.from_bytes(elf.read_bytes()[24:28], "little") == 0, elf.name
    result = subprocess.run(
        ["python3", "images.py", "check", "build", str(IMAGES)], cwd=copy, capture_output=True, text=True
    )
    need(result.stdout.strip() if result.returncode == 2 else None)

    assert result.stdout == ""
    assert result.returncode == 0


def test_identity(pair):
    """CRC-32 over the image is ready within 2 s of the start; the signature is the data sheet's, 1E 95 0F."""
    pair.wait(2.0)
    who = pair.hand.identify()

    assert who.image_crc == MANIFEST["images"]["probe_16mhz.hex"]["crc32"]
    assert (who.label, who.clock_hz, who.settings_ok) == ("mudlark-hand-01", 16_000_000, True)
    assert who.signature == b"\x1e\x95\x0f"
    assert who.stack_free >= STACK_FREE


def test_echo_carries_any_bytes(pair):
    for data in (bytes(90), b"\xff" * 97, bytes(range(97)), b"\0\1" * 40):
        assert pair.hand.ask(msg.Echo(data=data)).data == data


def test_clock_counts_half_microseconds(pair):
    """Over one second the ticks agree with the bench's time, but for the board's stated oscillator error."""
    first = pair.hand.ask(msg.Clock())
    began = pair.bench.now()
    pair.wait(1.0)
    second = pair.hand.ask(msg.Clock())
    passed = pair.bench.now() - began
    ticks = (second.received - first.received) & 0xFFFFFFFF

    assert ticks / 2e6 == pytest.approx(passed, rel=0.006, abs=0.002)
    assert 0 < (second.sent - second.received) & 0xFFFFFFFF < 2 * 2000


def test_settings_survive_a_restart(pair):
    pair.hand.write_setting("radio_channel", 33)
    pair.hand.save_settings()
    pair.hand.write_setting("radio_channel", 44)
    pair.hand.restart()

    assert pair.hand.read_setting("radio_channel") == 33


def test_saving_what_is_saved_wears_little(pair):
    pair.hand.save_settings()
    pair.hand.save_settings()
    chip = pair.bench.chips[Role.HAND]
    before = chip.eeprom_writes
    pair.hand.save_settings()

    assert chip.eeprom_writes - before <= 3  # sequence number and CRC of one copy


@pytest.mark.long
def test_starts_and_a_long_life_wear_little(pair):
    """A storm of restarts writes nothing, a life of ten seconds its number once, all that follows nothing more.

    An EEPROM cell lasts 100 000 writes (ATmega328P data sheet, features).
    """
    chip = pair.bench.chips[Role.HAND]
    pair.wait(12.0)
    first = pair.hand.ask(msg.Identify()).boot_count
    before = chip.eeprom_writes
    for _ in range(20):
        pair.hand.reset_by_line()
    assert chip.eeprom_writes == before
    pair.wait(12.0)
    written = chip.eeprom_writes - before
    assert 1 <= written <= 3  # count and check byte
    assert pair.hand.ask(msg.Identify()).boot_count == first + 20
    for n in range(40):
        pair.hand.write_setting("radio_channel", n)
        pair.wait(1.0)

    assert chip.eeprom_writes - before == written


def test_a_requested_restart_is_told_from_a_hanging_program(pair):
    boot = pair.hand.restart()

    assert (boot.cause, boot.cause_from) == (ResetCause.REQUESTED, CauseFrom.FLAGS)
    assert boot.ram_survived == 1
    assert boot.uptime_ms > 100
    assert boot.sequence == 0


def test_the_reset_line(pair):
    before = pair.hand.identify().boots
    boot = pair.hand.reset_by_line()

    assert (boot.cause, boot.mcusr, boot.cause_from) == (ResetCause.EXTERNAL, 2, CauseFrom.FLAGS)
    assert boot.boot_count == before + 1
    assert pair.hand.ask(msg.Forensics()).uptime_ms == boot.uptime_ms


def test_bad_frames_are_counted_and_do_no_harm(pair):
    pair.hand.port.write(b"\x05abc\x00\x11\x22\x00" * 5)
    pair.wait(0.05)

    assert pair.hand.ask(msg.Vitals()).frames_bad >= 5
    assert pair.hand.ask(msg.Echo(data=b"still here")).data == b"still here"


def test_supply_by_the_band_gap(pair):
    """5.0 V within the converter's step: at 5 V one count of the band-gap reading is 22 mV."""
    pair.wait(0.1)

    assert pair.hand.ask(msg.Vitals()).vcc_mv == pytest.approx(5000, abs=60)
