"""The settings store: both copies, power lost at every write, wear."""

import ctypes
import random
import struct

import pytest

from benchctl.wire import catalogue as c
from benchctl.wire.fields import SCALARS


def size_of(setting):
    return struct.calcsize("<" + SCALARS[setting.type][0])


def read(probe, key):
    buffer = ctypes.create_string_buffer(16)
    n = probe.read_setting(key, buffer)
    return None if n < 0 else buffer.raw[:n]


def write(probe, key, value):
    return probe.write_setting(key, value, len(value))


@pytest.fixture
def store(probe):
    probe.eeprom_fill(0xFF)
    probe.load_settings()
    return probe


def everything(probe):
    keys = [s.key for s in c.SETTINGS] + [c.PIN_KEYS + f for f in c.Function]
    keys += [c.PULSE_KIND_KEYS + n for n in range(6)]
    return b"".join(read(probe, key) for key in keys)


def test_a_blank_board_has_the_catalogue_defaults(store):
    for s in c.SETTINGS:
        expected = s.default if isinstance(s.default, int) else 0

        assert int.from_bytes(read(store, s.key), "little") == expected, s.name
        assert len(read(store, s.key)) == size_of(s), s.name
    for f in c.Function:
        assert read(store, c.PIN_KEYS + f)[0] == c.DEFAULT_PINS.get(f, c.NO_PIN)
    assert [read(store, c.PULSE_KIND_KEYS + n)[0] for n in range(6)] == list(c.DEFAULT_PULSE_KINDS)


def test_bounds_are_the_catalogues(store):
    for s in c.SETTINGS:
        if s.type == "text16":
            continue
        width = size_of(s)
        for value, fits in ((s.min, True), (s.max, True), (s.max + 1, False), (s.min - 1, False)):
            if not 0 <= value < 256**width:
                continue
            code = write(store, s.key, value.to_bytes(width, "little"))

            assert (code == 0) is fits, (s.name, value, code)


def test_wrong_keys_widths_and_pins_are_refused(store):
    assert write(store, 60, b"\0") == c.Error.UNKNOWN
    assert write(store, 4, b"\0\0") == c.Error.LENGTH
    assert write(store, 1, b"short") == c.Error.LENGTH
    for pin in (0x30, 0x31, 0x16, 0x26, 0x40, 0x00, 0x99):  # serial line, crystal, reset, nothing
        assert write(store, c.PIN_KEYS, bytes([pin])) == c.Error.VALUE, hex(pin)
    assert write(store, c.PIN_KEYS, b"\xff") == 0
    assert write(store, c.PULSE_KIND_KEYS, b"\3") == c.Error.VALUE


def test_saved_settings_come_back(store):
    write(store, 1, b"mudlark-craft-07")
    write(store, 4, b"\x2a")
    store.save_settings()
    before = everything(store)
    write(store, 4, b"\x01")

    assert store.load_settings() == 1
    assert everything(store) == before


def test_only_changed_bytes_are_written(store):
    """A second and third save of the same settings change the sequence number and the CRC of a copy, no more."""
    write(store, 1, b"mudlark-craft-07")
    store.save_settings()
    store.save_settings()

    assert store.save_settings() <= 3
    assert store.save_settings() <= 3


def test_power_lost_at_every_write_leaves_old_or_new(store):
    """The supply fails at the n-th byte, for every n: afterwards one whole set is in force, never a mixture."""
    chance = random.Random(3)
    write(store, 1, b"mudlark-craft-01")
    store.save_settings()
    store.save_settings()
    old = everything(store)
    image = ctypes.create_string_buffer(1024)
    store.eeprom_get(image)
    n = 0
    while True:
        n += 1
        store.eeprom_set(image)
        store.load_settings()
        write(store, 1, b"MUDLARK CRAFT 02")
        write(store, 4, bytes([chance.randrange(126)]))
        new = everything(store)
        store.eeprom_fail_after(n)
        written = store.save_settings()
        store.eeprom_fail_after(-1)

        assert store.load_settings() == 1
        assert everything(store) in (old, new)
        if written < n:
            assert everything(store) == new
            break
    assert n > 10


def test_damaged_copies_give_defaults(store):
    write(store, 4, b"\x2a")
    store.save_settings()
    store.eeprom_fill(0x00)

    assert store.load_settings() == 0
    assert read(store, 4) == bytes([76])


def test_start_counter_survives_a_torn_cell(store):
    """The count never goes back by more than the one that was being written, over several rounds of the cells."""
    image = ctypes.create_string_buffer(1024)
    assert store.load_boots() == 0
    for count in range(1, 100):
        store.eeprom_get(image)
        for n in (1, 2, 3):
            store.eeprom_set(image)
            store.eeprom_fail_after(n)
            store.store_boots(count)
            store.eeprom_fail_after(-1)

            assert store.load_boots() in (count - 1, count), (count, n)
        store.eeprom_set(image)
        store.store_boots(count)

        assert store.load_boots() == count
