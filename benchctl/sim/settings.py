"""The settings as the probe keeps them: values by key, checked by the catalogue's bounds; and their EEPROM."""

from __future__ import annotations

from collections.abc import Mapping

from benchctl.wire.catalogue import PIN_KEYS, PULSE_KIND_KEYS, SETTING_BY_NAME, Error, Function, PulseKind
from benchctl.wire.crc import crc16
from benchctl.wire.fields import unpacked
from benchctl.wire.stored import (
    CHANNELS,
    COPY_SIZE,
    GUARDED_KEYS,
    LACKS,
    copy_of,
    defaults,
    fits,
    has_converter,
    parted,
    pin_exists,
    sound,
    width_of,
)

#: keys whose change alters the wiring of pulse outputs
WIRING_KEYS = GUARDED_KEYS | {SETTING_BY_NAME["role"].key, *range(PIN_KEYS, PULSE_KIND_KEYS)}


#: in the order of their bits in `switch_to_supply`
_SWITCHES = (Function.SWITCH1, Function.SWITCH2)


class Settings:
    """Values in force. `number`, `pin` and `kind` read, `write` checks first."""

    def __init__(self, values: Mapping[int, bytes], confirmed: int = 0) -> None:
        self.values = dict(values)
        self.confirmed_outputs = confirmed  # a bit each
        self._numbers: dict[str, int] = {}

    def number(self, name: str) -> int:
        """A numeric setting by its catalogue name."""
        found = self._numbers.get(name)
        if found is None:
            found = self._numbers[name] = int.from_bytes(self.values[SETTING_BY_NAME[name].key], "little")
        return found

    @property
    def label(self) -> str:
        return str(unpacked("text16", self.values[SETTING_BY_NAME["label"].key]))

    def pin(self, function: int) -> int:
        return self.values[PIN_KEYS + function][0]

    def kind(self, channel: int) -> PulseKind:
        """channel counts from 1."""
        return PulseKind(self.values[PULSE_KIND_KEYS + channel - 1][0])

    def to_supply(self, function: int) -> bool:
        """Whether the function is a switch that closes to the supply."""
        return function in _SWITCHES and bool(self.number("switch_to_supply") >> _SWITCHES.index(function) & 1)

    def confirmed(self, channel: int) -> bool:
        """Whether a person has confirmed the output as all of them are wired now."""
        return bool(self.confirmed_outputs >> (channel - 1) & 1)

    def confirm(self, channel: int, on: bool) -> None:
        bit = 1 << channel >> 1
        self.confirmed_outputs = self.confirmed_outputs | bit if on else self.confirmed_outputs & ~bit

    def write(self, key: int, raw: bytes) -> Error | None:
        """Put a value in force, or say why not."""
        size = width_of(key)
        if not size:
            return Error.VALUE
        if len(raw) != size:
            return Error.LENGTH
        if not fits(key, raw):
            return Error.VALUE
        if key in GUARDED_KEYS or key == SETTING_BY_NAME["role"].key:
            self.confirmed_outputs = 0
        self.values[key] = raw
        self._numbers.clear()
        return None

    def reset(self) -> None:
        """All but role and label back to their defaults."""
        kept = {SETTING_BY_NAME[name].key for name in ("role", "label")}
        self.values.update({key: raw for key, raw in defaults().items() if key not in kept})
        self.confirmed_outputs = 0
        self._numbers.clear()


class Eeprom:
    """The EEPROM: two copies of the settings, written in turn, and the count of starts.

    A copy counts when its CRC is right and its values are within their bounds; of two good ones the newer does.
    """

    def __init__(self, values: Mapping[int, bytes] | None = None, confirmed: bool = False) -> None:
        """values: what the board has been told before; None: it never was. confirmed: a person has confirmed its
        outputs as well."""
        self.boots = 0
        self._copies = [bytes((0xFF,)) * COPY_SIZE, bytes((0xFF,)) * COPY_SIZE]
        if values is not None:
            self._copies[0] = copy_of(0, values, (1 << CHANNELS) - 1 if confirmed else 0)

    def _newest(self) -> int | None:
        good = [n for n in (0, 1) if self._good(self._copies[n])]
        if len(good) == 2:
            ahead = (self._copies[1][1] - self._copies[0][1]) & 0xFF
            return 1 if 0 < ahead < 0x80 else 0
        return good[0] if good else None

    @staticmethod
    def _good(copy: bytes) -> bool:
        return copy[0] in LACKS and crc16(copy) == 0 and sound(parted(copy)[0])

    def load(self) -> tuple[Settings, bool]:
        """The settings and whether they were found whole."""
        newest = self._newest()
        if newest is None:
            return Settings(defaults()), False
        return Settings(*parted(self._copies[newest])), True

    def save(self, settings: Settings) -> int:
        """Write the older copy; how many of its bytes had to be changed."""
        newest = self._newest()
        into = 1 if newest in (0, None) else 0
        sequence = self._copies[newest or 0][1]
        made = copy_of((sequence + 1) & 0xFF, settings.values, settings.confirmed_outputs)
        old, self._copies[into] = self._copies[into], made
        return sum(1 for a, b in zip(old, made, strict=True) if a != b)

    def damage(self) -> None:
        """Both copies lose a byte."""
        self._copies = [bytes((one[0] ^ 0xFF,)) + one[1:] for one in self._copies]


__all__ = ["CHANNELS", "WIRING_KEYS", "Eeprom", "Settings", "defaults", "has_converter", "pin_exists"]
