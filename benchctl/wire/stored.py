"""Settings as a board stores them: keys, widths, bounds, and how the two copies lie in its EEPROM.

As in `firmware_probe/settings.cpp`: a copy is a layout byte, a sequence byte, the packed settings, the confirmed pulse
outputs as a bit set, and a CRC over all of it.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.wire.catalogue import (
    GUARDED_SETTINGS,
    MISO_PIN,
    NO_PIN,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    REST_KEYS,
    SETTING_BY_NAME,
    SETTINGS,
    Function,
    PulseKind,
)
from benchctl.wire.crc import crc16
from benchctl.wire.fields import packed, width

CHANNELS = 6
LAYOUT = 4
#: settings that copies of a layout lack, by name; they have their defaults then
_OWN_WIDTHS = tuple(s.name for s in SETTINGS if s.key >= REST_KEYS)
LACKS: Mapping[int, tuple[str, ...]] = {
    2: ("switch_to_supply", "loader_loops", *_OWN_WIDTHS),
    3: _OWN_WIDTHS,
    LAYOUT: (),
}
COPY_DATA = 2
_BY_KEY = {s.key: s for s in SETTINGS}
_EXTRA_DEFAULTS: Mapping[int, int] = {
    **{PIN_KEYS + f: MISO_PIN if f is Function.RADIO_MISO else NO_PIN for f in Function},
    **{PULSE_KIND_KEYS + n: PulseKind.NONE for n in range(CHANNELS)},
}
_PULSE_PIN_KEYS = range(PIN_KEYS + Function.PULSE1, PIN_KEYS + Function.PULSE6 + 1)
#: what the guard takes only while the wiring may be changed
GUARDED_KEYS = frozenset(
    (*_PULSE_PIN_KEYS, *range(PULSE_KIND_KEYS, PULSE_KIND_KEYS + CHANNELS),
     *(SETTING_BY_NAME[name].key for name in GUARDED_SETTINGS))
)  # fmt: skip
#: keys in the order in which they are packed
ORDER = (*_BY_KEY, *sorted(_EXTRA_DEFAULTS))
_PINS = {
    *((1, bit) for bit in range(6)),  # PB6, PB7 carry the crystal
    *((2, bit) for bit in range(6)),
    *((3, bit) for bit in range(2, 8)),
}


def width_of(key: int) -> int:
    """Bytes of a setting; 0 for a key that does not exist."""
    setting = _BY_KEY.get(key)
    if setting is not None:
        return width(setting.type)
    return 1 if key in _EXTRA_DEFAULTS else 0


COPY_SIZE = COPY_DATA + sum(width_of(key) for key in ORDER) + 1 + 2


def has_converter(code: int) -> bool:
    """Whether the converter reaches a pin: PC0 to PC5, ADC6, ADC7."""
    return (code >> 4 == 2 and code & 0x0F < 6) or code in (0x46, 0x47)


def pin_exists(code: int) -> bool:
    """Whether a pin code names a pin that the board may use; PD0, PD1 are the UART, PC6 is reset."""
    port, bit = code >> 4, code & 0x0F
    if code == NO_PIN:
        return True
    if port == 4:
        return bit in (6, 7)
    return (port, bit) in _PINS


def defaults() -> dict[int, bytes]:
    """The settings of a board that has never been told."""
    out = {setting.key: packed(setting.type, setting.default) for setting in SETTINGS}
    out.update({key: bytes((value,)) for key, value in _EXTRA_DEFAULTS.items()})
    return out


def fits(key: int, raw: bytes) -> bool:
    """Whether a value of the right width is within its bounds."""
    setting = _BY_KEY.get(key)
    if setting is None:
        is_pin = key < PULSE_KIND_KEYS
        return pin_exists(raw[0]) if is_pin else raw[0] <= max(PulseKind)
    if setting.type == "text16":
        return True
    return setting.min <= int.from_bytes(raw, "little") <= setting.max


def sound(values: Mapping[int, bytes]) -> bool:
    """Whether all values are within their bounds."""
    return all(fits(key, values[key]) for key in ORDER)


def _order(layout: int) -> tuple[int, ...]:
    """Keys in the order in which copies of a layout have them."""
    lacking = {SETTING_BY_NAME[name].key for name in LACKS[layout]}
    return tuple(key for key in ORDER if key not in lacking)


def copy_of(sequence: int, values: Mapping[int, bytes], confirmed: int = 0, layout: int = LAYOUT) -> bytes:
    """One copy as it lies in the EEPROM. confirmed: a bit a pulse output, bit 0 is channel 1."""
    body = bytes((layout, sequence)) + b"".join(values[key] for key in _order(layout)) + bytes((confirmed,))
    return body + crc16(body).to_bytes(2, "big")


def parted(copy: bytes) -> tuple[dict[int, bytes], int]:
    """A copy's values, and which outputs are confirmed."""
    out, at = defaults(), COPY_DATA
    for key in _order(copy[0]):
        out[key] = copy[at : at + width_of(key)]
        at += width_of(key)
    return out, copy[at]
