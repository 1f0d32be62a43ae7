"""What of a bench file the session may know: the owner's statement of wiring, never the modelled numbers."""

from __future__ import annotations

from benchctl.benchfile import BenchSpec, BoardSpec
from benchctl.session.declared import Declared
from benchctl.terms import Role
from benchctl.wire.catalogue import NO_PIN, SETTING_BY_NAME, Function, PulseKind


def pin_code(name: str) -> int:
    """ "PD4" to 0x34, "ADC6" to 0x46, "" to no pin."""
    if not name:
        return NO_PIN
    if name.startswith("ADC"):
        return 0x40 | int(name[3:])
    return (" BCD".index(name[1]) << 4) | int(name[2])


def declared(spec: BenchSpec, role: Role) -> Declared:
    """The declaration of one board of a bench."""
    board = spec.boards[role]
    settings = {k: int(v) for k, v in board.settings.items() if k in SETTING_BY_NAME}
    settings["self_stimulus"] = int(board.self_stimulus_safe)
    settings["led_active_low"] = int(board.led.active_low)
    if board.via:
        settings["air_reach"] = 1
    return Declared(
        label=board.label,
        pins={Function[name.upper()]: pin_code(pin) for name, pin in board.pins.items()},
        pulse_kinds=_kinds(board) if role is Role.CRAFT else (),
        settings=settings,
        wires=tuple((w.start, w.to) for w in spec.wires),
        brown_out_v=board.brown_out_v,
        loads_ma=_loads_ma(board),
    )


#: a module with an amplifier is seen to be one, and its sheet says what it draws (common practice, no source)
_AMPLIFIED_MA = 115.0


def _loads_ma(board: BoardSpec) -> dict[str, float]:
    """What the owner knows things to draw: a transceiver with an amplifier, a lamp or buzzer beside the LED."""
    known = {}
    if board.radio.variant == "high-power":
        known["transmit"] = board.radio.tx_ma or _AMPLIFIED_MA
    if board.led.extra_ma:
        known["led"] = 9.0 + board.led.extra_ma
    return known


def _kinds(board: BoardSpec) -> tuple[PulseKind, ...]:
    def kind(name: str) -> PulseKind:
        if name in board.esc and board.esc[name].fitted:
            return PulseKind.MOTOR
        return PulseKind.SERVO if board.pins.get(name) else PulseKind.NONE

    return tuple(kind(f"pulse{n}") for n in range(1, 7))
