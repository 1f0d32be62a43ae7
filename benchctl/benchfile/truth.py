"""What a modelled board has where its bench file says nothing: a healthy board, soldered as its owner declares.

The result is a tree as a bench file would give it; the file's own numbers are laid over it.
"""

from __future__ import annotations

from typing import Any

from benchctl.pairfile import BoardFacts, PairSpec
from benchctl.pairfile.checks import has_radio
from benchctl.pairfile.pins import SWITCHES
from benchctl.terms import Role

Tree = dict[str, Any]

_AMPLIFIED_UF = 220.0
_BATTERY_RAILS: Tree = {
    "battery": {"source_volts": 7.6, "series_ohms": 0.06, "bulk_uf": 220.0, "bulk_esr_ohms": 0.05},
    "servo": {
        "fed_from": "battery",
        "series_ohms": 0.03,
        "regulator_volts": 5.0,
        "regulator_dropout_v": 0.3,
        "regulator_limit_ma": 2000.0,
        "bulk_uf": 470.0,
        "bulk_esr_ohms": 0.05,
    },
}
_ABSENT: Tree = {"fitted": False}


def boards(pair: PairSpec) -> dict[Role, Tree]:
    """A healthy board for each of the pair's."""
    return {role: _board(role, facts) for role, facts in pair.boards.items()}


def wires(pair: PairSpec) -> list[Tree]:
    """The jumpers as they are declared."""
    return [{"from": jumper.start, "to": jumper.to} for jumper in pair.jumpers]


def _board(role: Role, facts: BoardFacts) -> Tree:
    pins = facts.wired()
    out: Tree = {
        "label": facts.label,
        "pins": dict(pins),
        "rail": _rails(role, facts),
        "switch": {name: _switch(name, facts) for name in SWITCHES if name in pins},
        "joystick": _joystick(facts) if "joy_x" in pins else _ABSENT,
        "led": _led(facts) if "led" in pins else _ABSENT,
        "radio": _radio(facts) if has_radio(role, facts) else _ABSENT,
        "imu": _sensor(facts) if facts.sensor.fitted else _ABSENT,
    }
    driven = {f"pulse{channel}": output for channel, output in facts.outputs()}
    out["servo"] = {name: {} for name, one in driven.items() if one.drives == "servo"}
    out["esc"] = {name: _controller(one.idle_us) for name, one in driven.items() if one.drives == "motor"}
    out["motor"] = {name: {} for name in out["esc"]}
    if facts.supply.usb_apart is False:
        out["usb_apart"] = False
        for controller in out["esc"].values():
            controller["plugged"] = False  # nobody plugs a battery in beside USB before asking what to lift
    if facts.clock_mhz is not None:
        out["clock_hz"] = 1_000_000 * facts.clock_mhz
    if facts.supply.brown_out_v is not None:
        out["brown_out_v"] = facts.supply.brown_out_v
    return out


def _stated(**values: Any) -> Tree:
    return {name: value for name, value in values.items() if value is not None}


def _controller(idle_us: float | None) -> Tree:
    """Taught to its idle pulse: it turns from a little above it."""
    return {} if idle_us is None else {"min_us": idle_us + 40.0}


def _rails(role: Role, facts: BoardFacts) -> Tree:
    low = facts.supply.logic_v == 3.3
    regulator = {"regulator_volts": 3.3, "regulator_limit_ma": 800.0}
    main: Tree = dict(regulator) if low else {}
    radio: Tree = {"fed_from": "main", "series_ohms": 0.05, "bulk_uf": 10.0, "bulk_esr_ohms": 0.1}
    if not low:
        radio |= regulator
    if facts.radio.kind == "amplified":
        radio["bulk_uf"] = _AMPLIFIED_UF
    powered = any(output.drives in ("servo", "motor") for output in facts.output.values())
    return {"main": main, "radio": radio, **(_BATTERY_RAILS if powered else {})}


def _switch(name: str, facts: BoardFacts) -> Tree:
    stated = facts.switch.get(name)
    if stated is None:
        return {}
    out = _stated(closes_to=stated.closes_to)
    if stated.pull == "chip":
        out["pull_ohms"] = float("inf")
    return out


def _joystick(facts: BoardFacts) -> Tree:
    turned = {"min_counts": 1016.0, "max_counts": 8.0}
    out: Tree = {}
    if facts.joystick.x_rises == "left":
        out["x"] = dict(turned)
    if facts.joystick.y_rises == "down":
        out["y"] = dict(turned)
    return out


def _led(facts: BoardFacts) -> Tree:
    out = _stated(series_ohms=facts.led.resistor_ohms, extra_ma=facts.led.beside_ma)
    if facts.led.lights is not None:
        out["active_low"] = facts.led.lights == "low"
    return out


def _radio(facts: BoardFacts) -> Tree:
    return {"variant": "high-power"} if facts.radio.kind == "amplified" else {}


def _sensor(facts: BoardFacts) -> Tree:
    return _stated(address=facts.sensor.address, mount=facts.sensor.mount)
