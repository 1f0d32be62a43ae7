"""What a modelled board has been told before it is switched on: its EEPROM, by the pair file and the bench file."""

from __future__ import annotations

from benchctl.benchfile import BenchSpec
from benchctl.declare import owner_wiring
from benchctl.parts.world import stored_settings
from benchctl.session.pairing import pair_settings
from benchctl.terms import Role
from benchctl.wire.catalogue import BAUDS, PIN_KEYS, PULSE_KIND_KEYS, SETTING_BY_NAME
from benchctl.wire.fields import packed
from benchctl.wire.stored import CHANNELS, copy_of, defaults


def stored(spec: BenchSpec, role: Role) -> dict[int, bytes]:
    """Its settings by key: defaults, its owner's wiring, and over them what the bench file says."""
    board, owner = spec.boards[role], owner_wiring(spec.pair, role)
    values = defaults()
    baud = BAUDS.index(board.baud)
    derived = pair_settings(owner.joint or owner.label)
    settings = {"baud_code": baud, **derived, **owner.settings, **stored_settings(spec, role)}
    for name, value in settings.items():
        values[SETTING_BY_NAME[name].key] = packed(SETTING_BY_NAME[name].type, value)
    for function, pin in owner.pins.items():
        values[PIN_KEYS + function] = bytes((pin,))
    for channel in range(CHANNELS):
        values[PULSE_KIND_KEYS + channel] = bytes((owner.pulse_kinds[channel] if owner.pulse_kinds else 0,))
    return values


def eeprom_of(spec: BenchSpec, role: Role) -> bytes:
    """The first copy of its settings as the chip has them, its outputs confirmed where the bench file says so."""
    confirmed = (1 << CHANNELS) - 1 if spec.boards[role].outputs_confirmed else 0
    return copy_of(0, stored(spec, role), confirmed)
