"""The settings as the probe keeps them: values by key, checked by the catalogue's bounds; and their EEPROM."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.wire.catalogue import (
    DEFAULT_PINS,
    DEFAULT_PULSE_KINDS,
    NO_PIN,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTING_BY_NAME,
    SETTINGS,
    Error,
    Function,
    PulseKind,
)
from benchctl.wire.crc import crc16
from benchctl.wire.fields import SCALARS

CHANNELS = 6
#: bytes by struct code
_WIDTH = {"B": 1, "H": 2, "I": 4, "16s": 16}
_BY_KEY = {s.key: s for s in SETTINGS}
#: keys whose change the guard takes as a reason to disarm
GUARDED_KEYS = (
    SETTING_BY_NAME["role"].key,
    *range(PIN_KEYS, PIN_KEYS + len(Function)),
    *range(PULSE_KIND_KEYS, PULSE_KIND_KEYS + CHANNELS),
    *(SETTING_BY_NAME[name].key for name in ("idle_us", "full_us", "frame_us", "cap_permille", "slew_permille_s")),
    SETTING_BY_NAME["silence_ms"].key,
)


def width_of(key: int) -> int:
    """Bytes of a setting; 0 for a key that does not exist."""
    setting = _BY_KEY.get(key)
    if setting is not None:
        return _WIDTH[SCALARS[setting.type][0]]
    return 1 if key in _EXTRA_DEFAULTS else 0


def pin_exists(code: int) -> bool:
    """Whether a pin code names a pin that the board may use; PD0, PD1 are the UART, PC6 is reset."""
    port, bit = code >> 4, code & 0x0F
    if code == NO_PIN:
        return True
    if port == 4:
        return bit in (6, 7)
    return (port, bit) in _PINS


_PINS = {
    *((1, bit) for bit in range(6)),  # PB6, PB7 carry the crystal
    *((2, bit) for bit in range(6)),
    *((3, bit) for bit in range(2, 8)),
}
_EXTRA_DEFAULTS: Mapping[int, int] = {
    **{PIN_KEYS + f: DEFAULT_PINS.get(f, NO_PIN) for f in Function},
    **{PULSE_KIND_KEYS + n: DEFAULT_PULSE_KINDS[n] for n in range(CHANNELS)},
}


def defaults() -> dict[int, bytes]:
    """The settings of a board that has never been told."""
    out = {}
    for setting in SETTINGS:
        width = width_of(setting.key)
        value = setting.default
        raw = value.to_bytes(width, "little") if isinstance(value, int) else str(value).encode().ljust(width, b"\0")
        out[setting.key] = raw
    out.update({key: bytes((value,)) for key, value in _EXTRA_DEFAULTS.items()})
    return out


class Settings:
    """Values in force. `number`, `pin` and `kind` read, `write` checks first."""

    def __init__(self, values: Mapping[int, bytes]) -> None:
        self.values = dict(values)
        self._numbers: dict[str, int] = {}

    def number(self, name: str) -> int:
        """A numeric setting by its catalogue name."""
        found = self._numbers.get(name)
        if found is None:
            found = self._numbers[name] = int.from_bytes(self.values[SETTING_BY_NAME[name].key], "little")
        return found

    @property
    def label(self) -> bytes:
        """Padded with zeros to 16 bytes."""
        return self.values[SETTING_BY_NAME["label"].key]

    def pin(self, function: int) -> int:
        return self.values[PIN_KEYS + function][0]

    def kind(self, channel: int) -> PulseKind:
        """channel counts from 1."""
        return PulseKind(self.values[PULSE_KIND_KEYS + channel - 1][0])

    def write(self, key: int, raw: bytes) -> Error | None:
        """Put a value in force, or say why not."""
        width = width_of(key)
        if not width:
            return Error.VALUE
        if len(raw) != width:
            return Error.LENGTH
        if not _fits(key, raw):
            return Error.VALUE
        self.values[key] = raw
        self._numbers.clear()
        return None

    def reset(self) -> None:
        """All but role and label back to their defaults."""
        kept = {SETTING_BY_NAME[name].key for name in ("role", "label")}
        self.values.update({key: raw for key, raw in defaults().items() if key not in kept})
        self._numbers.clear()


def _fits(key: int, raw: bytes) -> bool:
    setting = _BY_KEY.get(key)
    if setting is None:
        is_pin = key < PULSE_KIND_KEYS
        return pin_exists(raw[0]) if is_pin else raw[0] <= max(PulseKind)
    if setting.type == "text16":
        return True
    return setting.min <= int.from_bytes(raw, "little") <= setting.max


class Eeprom:
    """The EEPROM: two copies of the settings, written in turn, and the count of starts.

    As in `firmware_probe/settings.cpp`: layout byte, sequence byte, the packed settings, CRC. A copy counts when its
    CRC is right; of two good ones the newer does.
    """

    def __init__(self, values: Mapping[int, bytes] | None = None) -> None:
        """values: what the board has been told before; None: it never was."""
        self.boots = 0
        self._copies = [bytes((0xFF,)) * COPY_SIZE, bytes((0xFF,)) * COPY_SIZE]
        if values is not None:
            self._copies[0] = _copy(0, values)

    def _newest(self) -> int | None:
        good = [n for n in (0, 1) if crc16(self._copies[n]) == 0 and self._copies[n][0] == LAYOUT]
        if len(good) == 2:
            ahead = (self._copies[1][1] - self._copies[0][1]) & 0xFF
            return 1 if 0 < ahead < 0x80 else 0
        return good[0] if good else None

    def load(self) -> tuple[Settings, bool]:
        """The settings and whether they were found whole."""
        newest = self._newest()
        if newest is None:
            values = defaults()
            return Settings(values), False
        data, out, at = self._copies[newest][COPY_DATA:-2], {}, 0
        for key in _ORDER:
            out[key] = data[at : at + width_of(key)]
            at += width_of(key)
        return Settings(out), True

    def save(self, settings: Settings) -> int:
        """Write the older copy; how many of its bytes had to be changed."""
        newest = self._newest()
        into = 1 if newest in (0, None) else 0
        sequence = self._copies[newest or 0][1]
        made = _copy((sequence + 1) & 0xFF, settings.values)
        old, self._copies[into] = self._copies[into], made
        return sum(1 for a, b in zip(old, made, strict=True) if a != b)

    def damage(self) -> None:
        """Both copies lose a byte."""
        self._copies = [bytes((one[0] ^ 0xFF,)) + one[1:] for one in self._copies]


_ORDER = (*sorted(_BY_KEY), *sorted(_EXTRA_DEFAULTS))
LAYOUT = 1
COPY_DATA = 2
COPY_SIZE = COPY_DATA + sum(width_of(key) for key in _ORDER) + 2


def _copy(sequence: int, values: Mapping[int, bytes]) -> bytes:
    body = bytes((LAYOUT, sequence)) + b"".join(values[key] for key in _ORDER)
    return body + crc16(body).to_bytes(2, "big")
