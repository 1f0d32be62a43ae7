"""The settings store: both copies, power lost at every write, wear."""

import ctypes
import random
import struct

import pytest

from benchctl.wire import catalogue as c
from benchctl.wire import stored
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
        assert read(store, c.PIN_KEYS + f)[0] == (c.MISO_PIN if f is c.Function.RADIO_MISO else c.NO_PIN)
    assert [read(store, c.PULSE_KIND_KEYS + n)[0] for n in range(6)] == [c.PulseKind.NONE] * 6


def test_bounds_are_the_catalogues(store):
    for s in c.SETTINGS:
        if s.type == "text16":
            continue
        width = size_of(s)
        for value, fits in ((s.min, True), (s.max, True), (s.max + 1, False), (s.min - 1, False)):
            if not 0 <= value < 256**width:
                continue
            code = write(store, s.key, value.to_bytes(width, "little"))
            if s.name == "role" and value == 2:  # a gauge's, whose image is another
                assert code == c.Error.ROLE
                continue

            assert (code == 0) is fits, (s.name, value, code)


def test_wrong_keys_widths_and_pins_are_refused(store):
    assert write(store, 60, b"\0") == c.Error.UNKNOWN
    assert write(store, 4, b"\0\0") == c.Error.LENGTH
    assert write(store, 1, b"short") == c.Error.LENGTH
    for pin in (0x30, 0x31, 0x16, 0x26, 0x40, 0x00, 0x99):  # serial line, crystal, reset, nothing
        assert write(store, c.PIN_KEYS, bytes([pin])) == c.Error.VALUE, hex(pin)
    assert write(store, c.PIN_KEYS, b"\xff") == 0
    assert write(store, c.PULSE_KIND_KEYS, b"\4") == c.Error.VALUE


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


def copy_with(probe, changes):
    """A copy with a right CRC and these values, as no request could have made it."""
    values = stored.defaults()
    values.update(changes)
    probe.eeprom_fill(0xFF)
    image = ctypes.create_string_buffer(b"\xff" * 1024, 1024)
    copy = stored.copy_of(1, values)
    image[: len(copy)] = copy
    probe.eeprom_set(image)


@pytest.mark.parametrize(
    ("key", "value"),
    [(14, (1900).to_bytes(2, "little")), (12, (999).to_bytes(2, "little")), (28, (2000).to_bytes(2, "little")),
     (15, (900).to_bytes(2, "little")), (16, (1000).to_bytes(2, "little")), (c.PULSE_KIND_KEYS, b"\x09"),
     (c.PIN_KEYS + c.Function.PULSE2, b"\x31"), (0, b"\x09")],
    ids=["idle", "cap", "neutral", "full", "frame", "kind", "pin", "role"],
)  # fmt: skip
def test_a_copy_out_of_its_bounds_is_none_whatever_its_crc(store, key, value):
    copy_with(store, {key: value})

    assert store.load_settings() == 0
    assert read(store, key) == stored.defaults()[key]


def test_no_pulse_is_longer_than_its_frame():
    """By the bounds alone: the longest pulse that any setting allows ends before the shortest frame does."""
    named = c.SETTING_BY_NAME
    widest = max(named[n].max for n in ("servo_max_us", "full_us", "idle_us", "neutral_us"))
    assert widest < named["frame_us"].min
    assert named["idle_us"].max < named["full_us"].min
    assert named["neutral_us"].max < named["full_us"].max


def test_the_other_copy_counts_where_the_newer_is_out_of_bounds(store):
    write(store, 4, b"\x2a")
    store.save_settings()
    store.save_settings()
    image = ctypes.create_string_buffer(1024)
    store.eeprom_get(image)
    newer = 256 if (image.raw[257] - image.raw[1]) % 256 < 128 else 0
    copy = stored.copy_of(image.raw[newer + 1], {**stored.defaults(), 14: (1900).to_bytes(2, "little")})
    image[newer : newer + len(copy)] = copy
    store.eeprom_set(image)

    assert store.load_settings() == 1
    assert read(store, 4) == b"\x2a"
    assert int.from_bytes(read(store, 14), "little") == 1000


def test_the_chips_copy_is_the_hosts(store):
    """Layout and order as `wire/stored.py` has them."""
    store.confirm_output(1)
    store.confirm_output(3)
    store.save_settings()
    image = ctypes.create_string_buffer(1024)
    store.eeprom_get(image)
    at = 256 if image.raw[256] == stored.LAYOUT else 0
    values, confirmed = stored.parted(image.raw[at : at + stored.COPY_SIZE])

    assert values == stored.defaults()
    assert confirmed == 0b101
    store.load_settings()
    assert store.confirmed_outputs() == 0b101


def drawn(chance, key):
    """A value of a setting as a stranger might leave it: mostly within its bounds, at their edges, now and then any bytes."""
    wide = stored.width_of(key)
    setting = next((s for s in c.SETTINGS if s.key == key), None)
    if chance.random() < 0.005:
        return chance.randbytes(wide)
    if setting is None:
        pins = [code for code in range(256) if stored.pin_exists(code)]
        return bytes((chance.choice(pins) if key < c.PULSE_KIND_KEYS else chance.randrange(len(c.PulseKind)),))
    if setting.type == "text16":
        return chance.choice((b"mudlark-craft-01", b"mudlark-craft-02", bytes(16)))
    value = chance.choice((setting.min, setting.max, setting.default, chance.randint(setting.min, setting.max)))
    return (1 if setting.name == "role" else value).to_bytes(wide, "little")


def test_whatever_a_copy_says_a_start_gives_idle_and_no_more(store):
    """Copies with a right CRC and any bits of confirmed outputs, as moved from another board or written by a programmer.

    They count as the board's own: what a person has confirmed must outlive a power cut. So by itself a copy lets out only
    the idle pulse of a declared and confirmed motor controller, within idle's own bounds; all else is silent.
    """
    chance = random.Random(17)
    taken = pulses = silent = 0
    for _ in range(1500):
        values = {key: drawn(chance, key) for key in stored.defaults()}
        confirmed = chance.choice((0, 0xFF, chance.randrange(256)))
        store.eeprom_set(stored.copy_of(1, values, confirmed).ljust(1024, b"\xff"))
        store.probe_begin()
        taken += store.load_settings()
        kinds = [read(store, c.PULSE_KIND_KEYS + n)[0] for n in range(6)]
        for channel, kind in enumerate(kinds, 1):
            us = store.guard_width_ticks(channel) / 2
            silent += not us
            if us:
                pulses += 1
                assert store.confirmed_outputs() >> (channel - 1) & 1
                assert read(store, 0) == b"\x01"
                assert kind in (c.PulseKind.MOTOR, c.PulseKind.REVERSIBLE)
                low, high = (1400, 1600) if kind == c.PulseKind.REVERSIBLE else (800, 1200)
                assert low <= us <= high
        assert store.guard_state() == c.GuardState.IDLE
    assert min(taken, 1500 - taken) > 100
    assert min(pulses, silent) > 300


def test_what_outputs_can_emit_is_bound_to_its_confirmation(store):
    """Whatever decides it, and the role, voids all confirmations, also when it is written as it was."""
    for key in (*stored.GUARDED_KEYS, 0):
        store.confirm_output(1)
        store.confirm_output(2)
        assert write(store, key, read(store, key)) == 0
        assert store.confirmed_outputs() == 0, key
    store.confirm_output(2)
    write(store, 5, b"\x02")
    assert store.confirmed_outputs() == 0b10


def test_a_copy_of_before_is_taken_over(store):
    """A copy of an older layout keeps all it says, confirmed outputs included; what it lacks has its default."""
    values = stored.defaults()
    values[4] = b"\x2a"
    values[1] = b"mudlark-craft-07"
    values[c.PIN_KEYS + c.Function.LED] = b"\x34"
    values[c.PULSE_KIND_KEYS + 5] = bytes((c.PulseKind.SERVO,))
    for layout, lacks in stored.LACKS.items():
        copy = stored.copy_of(9, values, 0b100001, layout)
        store.eeprom_set(copy.ljust(1024, b"\xff"))

        assert store.load_settings() == 1, layout
        for key, value in values.items():
            assert read(store, key) == value, (layout, key)
        assert store.confirmed_outputs() == 0b100001
        assert stored.parted(copy) == (values, 0b100001)
        store.save_settings()
        assert store.load_settings() == 1
        assert read(store, 4) == b"\x2a"
        assert not set(lacks) & {"role", "label"}


def test_a_layout_of_the_future_is_not_taken(store):
    """A number that this firmware does not know leaves the defaults, whatever its CRC says."""
    for layout in (max(stored.LACKS) + 1, min(stored.LACKS) - 1, 0, 0xFF):
        body = bytes((layout,)) + stored.copy_of(0, stored.defaults())[1:-2]
        store.eeprom_set((body + stored.crc16(body).to_bytes(2, "big")).ljust(1024, b"\xff"))

        assert store.load_settings() == 0, layout
