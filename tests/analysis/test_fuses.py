"""Fuse bytes in words, and what of them hurts.

Values: ATmega328P data sheet (42735B), tables "Fuse Low Byte", "Fuse High Byte", "Extended Fuse Byte", "Boot Size
Configuration, ATmega328/328P", "BODLEVEL Fuse Coding". Factory bytes 62 D9 FF, lock bits FF, are its "default" columns.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.analysis.fuses import complaints, fuses, raw_fuses

#: as delivered
FACTORY = bytes((0x62, 0xFF, 0xFF, 0xD9))


def told(raw: bytes, declared: float | None = None, image: int = 0) -> str:
    return "; ".join(complaints(fuses(raw), declared_v=declared, image_bytes=image))


def test_as_the_factory_delivers_it() -> None:
    """Internal oscillator, divided by 8, detector off, program started first."""
    found = fuses(FACTORY)

    assert found.clock_source == "internal 8 MHz oscillator"
    assert found.clock_divided
    assert found.brown_out_v == 0.0
    assert not found.starts_loader
    said = told(FACTORY)
    assert "CKDIV8" in said
    assert "low fuse to 0xE2" in said
    assert "internal 8 MHz oscillator" in said


@pytest.mark.parametrize(("high", "size"), [(0xD8, 4096), (0xDA, 2048), (0xDC, 1024), (0xDE, 512)])
def test_room_for_the_boot_loader(high: int, size: int) -> None:
    """BOOTSZ 00 to 11 is 2048 to 256 words; the image must end before it, and only where a loader starts."""
    raw = raw_fuses(0xFF, high, 2.7)

    assert fuses(raw).loader_bytes == size
    assert told(raw, image=32_768 - size) == ""
    assert f"keep {size} bytes" in told(raw, image=32_768 - size + 1)
    assert told(raw_fuses(0xFF, high | 1, 2.7), image=32_768) == ""


@pytest.mark.parametrize(("extended", "level"), [(0xFC, 4.3), (0xFD, 2.7), (0xFE, 1.8), (0xFF, 0.0), (0xF8, None)])
def test_brown_out_level(extended: int, level: float | None) -> None:
    """BODLEVEL 100, 101, 110, 111; the others are reserved."""
    raw = bytes((0xFF, 0xFF, extended, 0xDE))

    assert fuses(raw).brown_out_v == level
    if level is not None:
        assert told(raw, declared=level) == ""
        assert raw_fuses(0xFF, 0xDE, level)[2] & 7 == extended & 7


def test_another_level_than_the_pair_file_has() -> None:
    """Both levels, the key to correct, and the byte to program instead."""
    said = told(raw_fuses(0xFF, 0xDE, 2.7), declared=4.3)

    assert "fused to 2.7 V, the pair file says 4.3 V" in said
    assert "supply.brown_out_v" in said
    assert "extended fuse to 0xFC" in said


def test_watchdog_and_lock() -> None:
    """WDTON and lock bits are told; a board as makers have it is silent."""
    assert told(raw_fuses(0xFF, 0xDE, 2.7)) == ""
    assert "WDTON" in told(raw_fuses(0xFF, 0xCE, 2.7))
    assert "lock bits" in told(raw_fuses(0xFF, 0xDE, 2.7, lock=0xFC))
    # those that boards with a boot loader usually have: the loader's own section is protected, nothing else
    assert told(raw_fuses(0xFF, 0xDE, 2.7, lock=0xCF)) == ""


@given(st.binary(min_size=4, max_size=4), st.sampled_from((None, 0.0, 1.8, 2.7, 4.3)))
def test_any_bytes_have_words(raw: bytes, declared: float | None) -> None:
    """Whatever a chip answers is told in one line, without an error."""
    assert "\n" not in str(fuses(raw)) + told(raw, declared, 30_000)
