"""Benches drawn at random with known faults: physical numbers over continuous ranges, mild to severe, either board.

`draw(rng, kind)` gives a `Case`: a bench description as a tree of changed keys, the causes that are in it, and what
must be done to the opened bench that no number says (another firmware). The ranges are wider
than what the table of causes was written with; healthy benches lie anywhere inside the parts' tolerances.
"""

from __future__ import annotations

import copy
import math
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from helpers_bench import mudlark

Tree = dict[str, Any]
Truth = tuple[str, str]  # cause and board, "" for the pair
#: done to the opened simulated bench
Inject = Callable[[Any], None]


@dataclass
class Case:
    """One bench. tree: keys that differ from the healthy pair. truth: what is wrong with it."""

    tree: Tree = field(default_factory=lambda: {"board": {"hand": {}, "craft": {}}})
    truth: list[Truth] = field(default_factory=list)
    inject: list[Inject] = field(default_factory=list)

    def set(self, path: str, value: Any) -> None:
        node, *keys = self.tree, *path.split(".")
        for key in keys[:-1]:
            node = node.setdefault(key, {})
        node[keys[-1]] = value

    def has(self, path: str) -> bool:
        node: Any = self.tree
        for key in path.split("."):
            if key not in node:
                return False
            node = node[key]
        return True

    def toml(self) -> bytes:
        return mudlark("\n".join(_tables("", self.tree)), "drawn").encode()


def _tables(prefix: str, tree: Tree) -> list[str]:
    lines = [f"{k} = {_value(v)}" for k, v in tree.items() if not isinstance(v, dict)]
    lines = [f"[{prefix}]", *lines] if prefix else lines
    for k, v in tree.items():
        if isinstance(v, dict):
            lines += _tables(f"{prefix}.{k}" if prefix else k, v)
    return lines


def _value(v: Any) -> str:
    if isinstance(v, bool):
        return str(v).lower()
    if isinstance(v, str):
        return f'"{v}"'
    if isinstance(v, float) and math.isinf(v):
        return "inf"
    if isinstance(v, list):
        return "[" + ", ".join(_value(x) for x in v) + "]"
    if isinstance(v, tuple):
        return "{" + ", ".join(f"{k} = {_value(x)}" for k, x in v) + "}"
    return repr(v)


def log_uniform(rng: random.Random, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


# ---------------------------------------------------------------------- healthy, anywhere within tolerance


def healthy(rng: random.Random) -> Case:
    """Tolerances: capacitors ±20 %, source weak but legal, slow oscillators, busy but workable air."""
    case = Case()
    slow_clock = rng.random() < 0.1
    for role in ("hand", "craft"):
        at = f"board.{role}"
        if slow_clock:
            case.set(f"{at}.clock_hz", 8_000_000)
        if rng.random() < 0.2:
            _amplified(case, rng, at)
        case.set(f"{at}.oscillator.ppm", rng.choice((rng.uniform(-60, 60), rng.uniform(-4500, 4500))))
        case.set(f"{at}.rail.main.source_volts", rng.uniform(4.85, 5.2))
        case.set(f"{at}.rail.main.series_ohms", rng.uniform(0.1, 1.0))
        case.set(f"{at}.rail.main.bulk_uf", 47 * rng.uniform(0.8, 1.2))
        if not case.has(f"{at}.radio.variant"):
            case.set(f"{at}.rail.radio.bulk_uf", 10 * rng.uniform(0.8, 1.2))
        case.set(f"{at}.rail.main.noise_mv", rng.uniform(0.5, 8))
        case.set(f"{at}.bandgap_v", rng.uniform(1.02, 1.18))
        case.set(f"{at}.radio.tx_offset_db", rng.uniform(-4, 4))
        case.set(f"{at}.radio.crystal_ppm", rng.uniform(-40, 40))
        case.set(f"{at}.radio.antenna_loss_db", rng.uniform(0, 3))
        case.set(f"{at}.serial.latency_ms", rng.choice((1.0, 2.0, 8.0, 16.0)))
    case.set("board.hand.switch.switch1.bounce_us", rng.uniform(0, 4000))
    case.set("board.hand.switch.switch2.bounce_us", rng.uniform(0, 4000))
    for axis in ("x", "y"):
        case.set(f"board.hand.joystick.{axis}.centre_counts", rng.uniform(470, 555))
        case.set(f"board.hand.joystick.{axis}.min_counts", rng.uniform(0, 60))
        case.set(f"board.hand.joystick.{axis}.max_counts", rng.uniform(960, 1020))
        case.set(f"board.hand.joystick.{axis}.noise_counts", rng.uniform(0.3, 1.5))
    case.set("board.craft.servo.pulse1.jitter_deg", rng.uniform(0.02, 0.3))
    for which in ("accel_test_pct", "gyro_test_pct"):
        for axis in "xyz":
            case.set(f"board.craft.imu.{which}.{axis}", rng.uniform(-9, 9))
    case.set("air.path_loss_db", rng.uniform(48, 72))
    if rng.random() < 0.5:
        case.set("air.interferer", [_interferer(rng, duty=rng.uniform(0.01, 0.25), near=False)])
    return case


def _amplified(case: Case, rng: random.Random, at: str) -> None:
    """A transceiver with an amplifier, and the regulator and capacitor that it needs."""
    case.set(f"{at}.radio.variant", "high-power")
    case.set(f"{at}.rail.radio.regulator_limit_ma", rng.uniform(150, 800))
    case.set(f"{at}.rail.radio.bulk_uf", rng.choice((150, 220, 330)) * rng.uniform(0.8, 1.2))


def _interferer(rng: random.Random, duty: float, near: bool) -> tuple[tuple[str, float], ...]:
    centre = rng.uniform(2470, 2482) if near else rng.uniform(2405, 2440)
    return (
        ("centre_mhz", centre),
        ("width_mhz", rng.uniform(15, 25) if near else rng.uniform(1, 22)),
        ("power_dbm", rng.uniform(-62, -35)),
        ("duty", duty),
        ("burst_ms", log_uniform(rng, 0.3, 5)),
    )


def either(rng: random.Random) -> str:
    return rng.choice(("hand", "craft"))


# ---------------------------------------------------------------------- one function a fault


def capacitor(case: Case, rng: random.Random) -> Truth:
    """An amplified transceiver without the bulk it needs, its average within what the regulator gives."""
    role = either(rng)
    at = f"board.{role}"
    case.set(f"{at}.radio.variant", "high-power")
    # packet after packet draws 79 mA on average and the sensor 4: the limit must exceed that
    case.set(f"{at}.rail.radio.regulator_limit_ma", rng.choice((800.0, rng.uniform(86, 110))))
    fast = case.tree["board"][role]["rail"]["radio"]["regulator_limit_ma"] == 800.0
    case.set(f"{at}.rail.radio.bulk_uf", log_uniform(rng, 0.05, 2.0) if fast else log_uniform(rng, 0.3, 30))
    if fast:
        case.set(f"{at}.rail.radio.regulator_recovery_us", rng.uniform(20, 100))
    return "capacitor", role


def source(case: Case, rng: random.Random) -> Truth:
    """A source or cable that gives way: ohms, volts or a current limit; something on the board draws enough."""
    role = either(rng)
    at = f"board.{role}"
    how = rng.choice(("ohms", "volts", "limit"))
    if how == "ohms":
        case.set(f"{at}.rail.main.series_ohms", log_uniform(rng, 1.5, 9))
    elif how == "volts":
        case.set(f"{at}.rail.main.source_volts", rng.uniform(3.4, 4.3))
        case.set(f"{at}.rail.main.series_ohms", rng.uniform(0.5, 3))
    else:
        case.set(f"{at}.rail.main.regulator_limit_ma", rng.uniform(45, 160))
    case.set(f"{at}.radio.variant", rng.choice(("plus", "high-power")))
    case.set(f"{at}.rail.radio.bulk_uf", rng.uniform(47, 220))
    case.set(f"{at}.led.extra_ma", rng.choice((0.0, rng.uniform(40, 300))))
    return "source", role


def regulator(case: Case, rng: random.Random) -> Truth:
    """The average draw is above what the 3.3 V regulator gives."""
    role = either(rng)
    at = f"board.{role}"
    limit = rng.uniform(15, 120)
    case.set(f"{at}.rail.radio.regulator_limit_ma", limit)
    case.set(f"{at}.rail.radio.bulk_uf", rng.uniform(10, 150))
    amplified = rng.random() < 0.4
    case.set(f"{at}.radio.variant", "high-power" if amplified else "plus")
    listening = 33.0 if amplified else 13.0
    case.set(f"{at}.load.extra.rail", "radio")
    case.set(f"{at}.load.extra.steady_ma", max(0.0, limit - listening * 0.8) * rng.uniform(1.0, 1.5))
    return "regulator", role


def joint_radio(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.rail.radio.joint_ohms", log_uniform(rng, 12, 120))
    case.set(f"board.{role}.rail.radio.bulk_uf", log_uniform(rng, 2, 100))
    case.set(f"board.{role}.radio.variant", rng.choice(("plus", "plus", "high-power")))
    return "joint_radio", role


def joint_main(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.rail.main.joint_ohms", log_uniform(rng, 12, 70))
    return "joint_main", role


def servo_on_logic(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.servo.pulse1.rail", "main")
    case.set("board.craft.servo.pulse1.stall_ma", rng.uniform(400, 1500))
    case.set("board.craft.servo.pulse1.moving_ma", rng.uniform(120, 350))
    case.set("board.craft.rail.main.series_ohms", log_uniform(rng, 0.2, 1.2))
    case.set("board.craft.rail.main.bulk_uf", log_uniform(rng, 10, 470))
    return "servo_on_logic", "craft"


def brown_out(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.brown_out_v", rng.choice((0.0, 1.8)))
    return "brown_out", role


def program(case: Case, rng: random.Random) -> Truth:
    """The main loop stops coming round now and then; the watchdog ends that."""
    role = either(rng)
    case.set(f"board.{role}.hang_every_s", log_uniform(rng, 8, 90))
    return "program", role


def forgets(case: Case, rng: random.Random) -> Truth:
    """Something beside the transceiver pulls its rail down for a moment; the processor's holds."""
    role = either(rng)
    at = f"board.{role}.load.neighbour"
    case.set(f"{at}.rail", "radio")
    case.set(f"{at}.burst_ma", rng.uniform(1200, 3000))
    case.set(f"{at}.burst_ms", log_uniform(rng, 0.4, 4))
    case.set(f"{at}.burst_every_ms", log_uniform(rng, 250, 4000))
    case.set(f"board.{role}.rail.main.bulk_uf", 470.0)
    return "forgets", role


_BAD_LINE: dict[str, Callable[[random.Random], tuple[str, Any]]] = {
    "open": lambda rng: ("series_ohms", log_uniform(rng, 2e6, 1e9)),
    "ground": lambda rng: ("to_ground_ohms", log_uniform(rng, 0.1, 30)),
}


def _line(name: str, *ways: str) -> Callable[[Case, random.Random], Truth]:
    def fault(case: Case, rng: random.Random) -> Truth:
        role, way = either(rng), rng.choice(ways)
        key, value = _BAD_LINE[way](rng)
        case.set(f"board.{role}.radio.{name}.{key}", value)
        # nobody can tell an open CSN from a socket without a chip: neither answers, and neither drives anything
        return ("no_transceiver" if name == "csn" and way == "open" else f"line_{name}"), role

    return fault


def line_swapped(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    one, other = rng.choice((("ce", "csn"),))
    case.set(f"board.{role}.radio.{one}.to_line", other)
    case.set(f"board.{role}.radio.{other}.to_line", one)
    return "line_swapped", role


def line_bridged(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    one, other = rng.choice((("ce", "csn"), ("sck", "mosi")))
    case.set(f"board.{role}.radio.{one}.bridged_to", other)
    return "line_bridged", role


def line_data_swapped(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.radio.mosi.to_line", "miso")
    case.set(f"board.{role}.radio.miso.to_line", "mosi")
    return "line_data_swapped", role


def no_transceiver(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.radio.fitted", False)
    return "no_transceiver", role


def wrong_settings(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    name, value = rng.choice((
        ("radio_address", rng.randrange(1, 2**32)), ("radio_channel", rng.choice([c for c in range(126) if c != 76])),
        ("radio_crc", rng.choice((0, 1))), ("radio_rate", rng.choice((0, 2))),
    ))  # fmt: skip
    case.set(f"board.{role}.settings.{name}", value)
    return "wrong_settings", ""


def firmware_differs(case: Case, rng: random.Random) -> Truth:
    role, crc = either(rng), rng.randrange(1, 2**32)

    def inject(bench: Any) -> None:
        from benchctl.terms import Role

        chip = bench.chips[Role(role)].chip
        chip.image = chip.image._replace(firmware=chip.image.firmware + rng.choice((0, 1)), crc=crc)

    case.inject.append(inject)
    return "firmware_differs", ""


def interference(case: Case, rng: random.Random) -> Truth:
    case.set("air.interferer", [_interferer(rng, duty=rng.uniform(0.1, 0.8), near=True)])
    return "interference", ""


def antenna(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    if rng.random() < 0.5:
        case.set(f"board.{role}.radio.antenna_loss_db", rng.uniform(20, 60))
    else:
        case.set(f"board.{role}.radio.tx_offset_db", rng.uniform(-40, -20))
    return "antenna", ""


def overload(case: Case, rng: random.Random) -> Truth:
    case.set("air.path_loss_db", rng.uniform(0, 14))
    case.set("air.max_input_dbm", rng.uniform(-16, -6))
    return "overload", ""


def clone(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.radio.variant", rng.choice(("clone", "nrf24l01")))
    return "clone", role


def no_ack_bit(case: Case, rng: random.Random) -> Truth:
    """One look-alike beside a genuine transceiver."""
    case.set(f"board.{either(rng)}.radio.variant", "look-alike")
    return "no_ack_bit", ""


def rail_short(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.rail.{rng.choice(('main', 'radio'))}.leak_ohms", log_uniform(rng, 0.2, 80))
    return "rail_short", role


def rail_high(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.rail.radio.regulator_volts", rng.choice((0.0, 5.0)))
    return "rail_high", role


def radio_crystal(case: Case, rng: random.Random) -> Truth:
    case.set(f"board.{either(rng)}.radio.crystal_ppm", rng.choice((-1, 1)) * rng.uniform(240, 450))
    return "radio_crystal", ""


def joystick_noisy(case: Case, rng: random.Random) -> Truth:
    case.set(f"board.hand.joystick.{rng.choice('xy')}.noise_counts", rng.uniform(5, 14))
    return "joystick_noisy", "hand"


def joystick_ground(case: Case, rng: random.Random) -> Truth:
    axis = rng.choice("xy")
    for end in ("min", "centre", "max"):
        case.set(f"board.hand.joystick.{axis}.{end}_counts", 1023.0)
    return "joystick_ground", "hand"


def joystick_supply_end(case: Case, rng: random.Random) -> Truth:
    axis = rng.choice("xy")
    for end in ("min", "centre", "max"):
        case.set(f"board.hand.joystick.{axis}.{end}_counts", 0.0)
    return "joystick_supply_end", "hand"


def esc_sound(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.esc.pulse2.beeps", rng.randint(3, 5))
    return "esc_sound", "craft"


def oscillator(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.oscillator.ppm", rng.choice((-1, 1)) * log_uniform(rng, 5000, 18000))
    return "oscillator", role


def switch_bounce(case: Case, rng: random.Random) -> Truth:
    at = f"board.hand.switch.{rng.choice(('switch1', 'switch2'))}"
    case.set(f"{at}.bounce_count", rng.randint(6, 80))
    case.set(f"{at}.bounce_us", log_uniform(rng, 6000, 60000))
    return "switch_bounce", "hand"


def switch_floating(case: Case, rng: random.Random) -> Truth:
    case.set(f"board.hand.switch.{rng.choice(('switch1', 'switch2'))}.pull_ohms", math.inf)
    return "switch_floating", "hand"


def switch_pull(case: Case, rng: random.Random) -> Truth:
    """A resistor a hundred times too small or too large."""
    name, ohms = rng.choice(("switch1", "switch2")), rng.choice((100.0, 1e6))
    case.set(f"board.hand.switch.{name}.pull_ohms", ohms * rng.uniform(0.9, 1.1))
    return "switch_pull", "hand"


def switch_stuck(case: Case, rng: random.Random) -> Truth:
    case.set(f"board.hand.switch.{rng.choice(('switch1', 'switch2'))}.stuck", rng.choice(("open", "closed")))
    return "switch_stuck", "hand"


def joystick_swapped(case: Case, rng: random.Random) -> Truth:
    case.set("board.hand.joystick.swapped", True)
    return "joystick_swapped", "hand"


def joystick_unpowered(case: Case, rng: random.Random) -> Truth:
    case.set("board.hand.joystick.unpowered", True)
    return "joystick_unpowered", "hand"


def joystick_worn(case: Case, rng: random.Random) -> Truth:
    axis, low = rng.choice("xy"), rng.uniform(80, 860)
    case.set(f"board.hand.joystick.{axis}.worn_counts", [[low, min(940.0, low + log_uniform(rng, 25, 200))]])
    return "joystick_worn", "hand"


def joystick_open(case: Case, rng: random.Random) -> Truth:
    case.set(f"board.hand.joystick.{rng.choice('xy')}.open", True)
    return "joystick_open", "hand"


def led(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    case.set(f"board.{role}.led.{rng.choice(('reversed', 'open'))}", True)
    return "led", role


def servo_supply(case: Case, rng: random.Random) -> Truth:
    if rng.random() < 0.5:
        case.set("board.craft.rail.servo.noise_mv", log_uniform(rng, 80, 1200))
    else:
        case.set("board.craft.servo.pulse1.jitter_deg", log_uniform(rng, 0.8, 12))
    return "servo_supply", "craft"


def esc_untaught(case: Case, rng: random.Random) -> Truth:
    low = rng.uniform(820, 995)
    case.set("board.craft.esc.pulse2.min_us", low)
    case.set("board.craft.esc.pulse2.max_us", low + rng.uniform(700, 1100))
    case.set("harm", ["pulse"])
    return "esc_untaught", "craft"


def signal_ground(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.esc.pulse2.signal_ground", False)
    case.set("board.craft.esc.pulse2.lost_s", rng.uniform(0.04, 0.3))
    return "signal_ground", "craft"


def servo_ground(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.servo.pulse1.signal_ground", False)
    return "servo_ground", "craft"


def second_craft(case: Case, rng: random.Random) -> Truth:
    """With radio settings as this pair has them, which are the usual ones."""
    case.set("air.stranger", [(("path_loss_db", rng.uniform(45, 85)),)])
    return "second_craft", ""


def fed_back(case: Case, rng: random.Random) -> Truth:
    """A controller's regulator on USB's rail, which the owner believes to be apart."""
    case.set("board.craft.usb_apart", False)
    case.set("board.craft.esc.pulse2.plugged", False)
    case.set("harm", ["back-fed"])
    return "fed_back", "craft"


def imu_absent(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.imu.fitted", False)
    return "imu_absent", "craft"


def imu_address(case: Case, rng: random.Random) -> Truth:
    case.set("board.craft.imu.address", 0x69)
    return "imu_address", "craft"


def imu_self_test(case: Case, rng: random.Random) -> Truth:
    which = rng.choice(("accel_test_pct", "gyro_test_pct"))
    case.set(f"board.craft.imu.{which}.{rng.choice('xyz')}", rng.choice((-1, 1)) * rng.uniform(12, 90))
    return "imu_self_test", "craft"


def serial_drops(case: Case, rng: random.Random) -> Truth:
    role = either(rng)
    kind = rng.choice(("drop_per_million", "flip_per_million"))
    case.set(f"board.{role}.serial.{kind}", log_uniform(rng, 10, 2000))
    return "serial_drops", role


FAULTS: dict[str, Callable[[Case, random.Random], Truth]] = {
    f.__name__: f
    for f in (
        capacitor, source, regulator, joint_radio, joint_main, servo_on_logic, brown_out, program, forgets,
        line_swapped, line_bridged, line_data_swapped, no_transceiver, wrong_settings, firmware_differs, interference, antenna, overload, clone,
        oscillator, switch_bounce, switch_floating, switch_pull, switch_stuck, joystick_swapped, joystick_unpowered, joystick_worn,
        joystick_open, led, servo_supply, esc_untaught, signal_ground, imu_absent, imu_address, imu_self_test,
        serial_drops, rail_short, rail_high, radio_crystal, joystick_noisy, joystick_ground, joystick_supply_end,
        esc_sound, fed_back, no_ack_bit, servo_ground, second_craft,
    )
} | {
    f"line_{name}": _line(name, *ways)
    for name, ways in {
        "miso": ("open", "ground"), "mosi": ("open", "ground"), "sck": ("open", "ground"), "csn": ("open", "ground"),
        "ce": ("open", "ground"), "irq": ("open", "ground"),
    }.items()
}  # fmt: skip
#: what the avr bench cannot be given by numbers
SIM_ONLY = ("firmware_differs",)


def draw(rng: random.Random, kinds: tuple[str, ...], only: int | None = None) -> Case:
    """A bench within tolerance with these faults laid into it; later faults see the numbers of earlier ones.

    only: of all that is drawn, just this fault is laid into the bench.
    """
    case = healthy(rng)
    for number, kind in enumerate(kinds):
        laid = case if only in (None, number) else copy.deepcopy(case)
        laid.truth.append(FAULTS[kind](laid, rng))
    return case
