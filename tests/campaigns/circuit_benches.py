"""A second generator of faulty benches, written from circuits alone: edits of nets and parts of healthy pairs.

Each edit is what a hand with an iron, a wrong part or age does to a board: cut, bridge, exchange, wrong value, wrong part,
wrong place, aged, intermittent. What is then wrong follows from the edit, in words of the circuit; nothing of the
diagnosis is read here, and no number is shared with the first generator. Not among them, because the modelled world has
no such thing: a ground that is missing between the two boards (their USB cables join them at the computer).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

#: pairs that edits are made to: 5 V strip board, 3.3 V at 8 MHz, bought modules without IRQ wires
PAIRS = ("mudlark", "mudlark-low-volt", "mudlark-modules")
#: servo and motor headers of each pair's craft
SERVO = {"mudlark": "pulse1", "mudlark-low-volt": "pulse4", "mudlark-modules": "pulse3"}
MOTOR = {"mudlark": "pulse2", "mudlark-low-volt": "pulse1", "mudlark-modules": "pulse2"}
WITH_IRQ = ("mudlark", "mudlark-low-volt")
ROLES = ("hand", "craft")
#: a pin of each board that nothing is soldered to
FREE = {
    "mudlark": {"hand": "D9", "craft": "D5"},
    "mudlark-low-volt": {"hand": "D9", "craft": "D6"},
    "mudlark-modules": {"hand": "D5", "craft": "D6"},
}
#: channel and address that each pair uses on the air
ON_AIR = {
    "mudlark": (76, 0x5856D4F7),
    "mudlark-low-volt": (76, 0x3338AB35),
    "mudlark-modules": (76, 0xF9F27432),
}
OPEN, SHORT = 5e8, 0.3


@dataclass
class Edited:
    """A bench text in the making. wrong: what the edits did, as (words of the circuit, board or "" for the pair)."""

    pair: str
    keys: dict[str, Any] = field(default_factory=dict)
    known: dict[str, Any] = field(default_factory=dict)
    wrong: list[tuple[str, str]] = field(default_factory=list)
    inject: list[Callable[[Any], None]] = field(default_factory=list)

    def put(self, path: str, value: Any) -> None:
        self.keys[path] = value

    def owner_knows(self, path: str, value: Any) -> None:
        """What the owner would have written into the pair file."""
        self.known[path] = value

    def toml(self) -> bytes:
        lines = ['name = "edited"', *(f"{k} = {_value(v)}" for k, v in self.keys.items())]
        lines += ["[pair]", f'from = "{self.pair}"', *(f"{k} = {_value(v)}" for k, v in self.known.items())]
        return ("\n".join(lines) + "\n").encode()


def _value(v: Any) -> str:
    if isinstance(v, bool):
        return str(v).lower()
    if isinstance(v, str):
        return f'"{v}"'
    if isinstance(v, float) and math.isinf(v):
        return "inf"
    if isinstance(v, list):
        return "[" + ", ".join(_value(x) for x in v) + "]"
    if isinstance(v, Mapping):
        return "{" + ", ".join(f"{k} = {_value(x)}" for k, x in v.items()) + "}"
    return repr(v)


def spread(rng: random.Random, low: float, high: float) -> float:
    """Evenly over the decades."""
    return low * (high / low) ** rng.random()


def board(rng: random.Random) -> str:
    return rng.choice(ROLES)


# ---------------------------------------------------------------------- healthy, to the edges of what sheets allow


def sound(rng: random.Random, pair: str, edge: bool = False) -> Edited:
    """A pair whose parts are anywhere within their sheets; edge: at the ends of that."""
    e = Edited(pair)

    def within(low: float, high: float) -> float:
        return rng.choice((low, high)) if edge else rng.uniform(low, high)

    for role in ROLES:
        at = f"board.{role}"
        e.put(f"{at}.oscillator.ppm", within(-4900, 4900))
        e.put(f"{at}.radio.crystal_ppm", within(-55, 55))
        e.put(f"{at}.radio.tx_offset_db", within(-3.9, 3.9))
        e.put(f"{at}.bandgap_v", within(1.005, 1.195))
        e.put(f"{at}.rail.main.series_ohms", within(0.05, 0.8))
        e.put(f"{at}.radio.por_ms", within(2, 98))
    e.put("board.hand.joystick.x.centre_counts", within(470, 555))
    e.put("board.hand.joystick.y.noise_counts", within(0.2, 2.5))
    e.put("air.path_loss_db", within(45, 72))
    return e


# ---------------------------------------------------------------------- edits

Edit = Callable[[Edited, random.Random], None]
EDITS: dict[str, Edit] = {}


def edit(f: Edit) -> Edit:
    EDITS[f.__name__] = f
    return f


def _cut_line(name: str, wrong: str) -> None:
    def cut(e: Edited, rng: random.Random) -> None:
        role = board(rng)
        e.put(f"board.{role}.radio.{name}.series_ohms", OPEN)
        e.wrong.append((wrong, role))

    EDITS[f"cut_{name}"] = cut


def _ground_line(name: str, wrong: str) -> None:
    def short(e: Edited, rng: random.Random) -> None:
        role = board(rng)
        e.put(f"board.{role}.radio.{name}.to_ground_ohms", spread(rng, 0.1, 20))
        e.wrong.append((wrong, role))

    EDITS[f"ground_{name}"] = short


for _name in ("miso", "mosi", "sck", "ce"):
    _cut_line(_name, f"{_name} does not reach")
    _ground_line(_name, f"{_name} does not reach")
_cut_line("csn", "module never selected")
_ground_line("csn", "module always selected")


@edit
def cut_irq(e: Edited, rng: random.Random) -> None:
    if e.pair not in WITH_IRQ:
        return cut_led(e, rng)
    role = board(rng)
    e.put(f"board.{role}.radio.irq.series_ohms", OPEN)
    e.wrong.append(("irq does not reach", role))
    return None


def _bridge(one: str, other: str, needs_irq: bool = False) -> None:
    def bridge(e: Edited, rng: random.Random) -> None:
        if needs_irq and e.pair not in WITH_IRQ:
            return cut_led(e, rng)
        role = board(rng)
        e.put(f"board.{role}.radio.{one}.bridged_to", other)
        e.wrong.append(("two lines bridged", role))
        return None

    EDITS[f"bridge_{one}_{other}"] = bridge


def _exchange(one: str, other: str) -> None:
    def exchange(e: Edited, rng: random.Random) -> None:
        role = board(rng)
        e.put(f"board.{role}.radio.{one}.to_line", other)
        e.put(f"board.{role}.radio.{other}.to_line", one)
        e.wrong.append(("two lines exchanged", role))

    EDITS[f"exchange_{one}_{other}"] = exchange


# pins side by side on the module's header of two by four: GND VCC, CE CSN, SCK MOSI, MISO IRQ
for _one, _other in (("ce", "csn"), ("sck", "mosi"), ("ce", "sck"), ("sck", "miso"), ("csn", "mosi")):
    _bridge(_one, _other)
for _one, _other in (("mosi", "irq"), ("miso", "irq")):
    _bridge(_one, _other, needs_irq=True)
for _one, _other in (("mosi", "miso"), ("ce", "csn"), ("sck", "mosi")):
    _exchange(_one, _other)


@edit
def bridge_csn_supply(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.radio.csn.to_supply_ohms", spread(rng, 0.1, 3))
    e.wrong.append(("module never selected", role))


@edit
def cut_led(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.led.open", True)
    e.wrong.append(("led dark", role))


@edit
def turn_led(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.led.reversed", True)
    e.wrong.append(("led dark", role))


@edit
def led_at_another_pin(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.pins.led", FREE[e.pair][role])
    e.wrong.append(("led dark", role))


@edit
def servo_at_another_pin(e: Edited, rng: random.Random) -> None:
    e.put(f"board.craft.pins.{SERVO[e.pair]}", FREE[e.pair]["craft"])
    e.wrong.append(("servo not where declared", "craft"))


@edit
def cut_wiper(e: Edited, rng: random.Random) -> None:
    e.put(f"board.hand.joystick.{rng.choice('xy')}.open", True)
    e.wrong.append(("wiper open", "hand"))


@edit
def cut_stick_supply(e: Edited, rng: random.Random) -> None:
    e.put("board.hand.joystick.unpowered", True)
    e.wrong.append(("stick without supply", "hand"))


@edit
def cut_track_ground(e: Edited, rng: random.Random) -> None:
    axis = rng.choice("xy")
    for end in ("min", "centre", "max"):
        e.put(f"board.hand.joystick.{axis}.{end}_counts", 1023.0)
    e.wrong.append(("track's ground open", "hand"))


@edit
def exchange_wipers(e: Edited, rng: random.Random) -> None:
    e.put("board.hand.joystick.swapped", True)
    e.wrong.append(("wipers exchanged", "hand"))


@edit
def wear_track(e: Edited, rng: random.Random) -> None:
    low = rng.choice((rng.uniform(490, 520), rng.uniform(150, 800)))  # worn at the centre, or where it rests
    e.put(f"board.hand.joystick.{rng.choice('xy')}.worn_counts", [[low, low + spread(rng, 60, 160)]])
    e.wrong.append(("track worn", "hand"))


@edit
def dirty_track(e: Edited, rng: random.Random) -> None:
    e.put(f"board.hand.joystick.{rng.choice('xy')}.noise_counts", rng.uniform(5, 15))
    e.wrong.append(("stick noisy", "hand"))


@edit
def leave_out_pull(e: Edited, rng: random.Random) -> None:
    if e.pair == "mudlark-modules":  # pulled by the chip, there is no resistor to leave out
        return cut_led(e, rng)
    e.put(f"board.hand.switch.{'switch2' if e.pair == 'mudlark-low-volt' else rng.choice(('switch1', 'switch2'))}.pull_ohms",
          math.inf)  # fmt: skip
    e.wrong.append(("switch line floats", "hand"))
    return None


@edit
def wrong_pull(e: Edited, rng: random.Random) -> None:
    """A resistor of another band: brown black brown, or brown black green, for brown black orange."""
    if e.pair == "mudlark-modules":
        return cut_led(e, rng)
    name = "switch2" if e.pair == "mudlark-low-volt" else rng.choice(("switch1", "switch2"))
    e.put(f"board.hand.switch.{name}.pull_ohms", rng.choice((100.0, 1e6)) * rng.uniform(0.95, 1.05))
    e.wrong.append(("switch pulled wrongly", "hand"))
    return None


@edit
def jam_switch(e: Edited, rng: random.Random) -> None:
    e.put(f"board.hand.switch.{rng.choice(('switch1', 'switch2'))}.stuck", rng.choice(("open", "closed")))
    e.wrong.append(("switch does not work", "hand"))


@edit
def age_switch(e: Edited, rng: random.Random) -> None:
    at = f"board.hand.switch.{rng.choice(('switch1', 'switch2'))}"
    e.put(f"{at}.bounce_us", spread(rng, 15e3, 80e3))
    e.put(f"{at}.bounce_count", rng.randint(8, 30))
    e.wrong.append(("switch bounces", "hand"))


@edit
def solder_rail_to_ground(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.rail.{rng.choice(('main', 'radio'))}.leak_ohms", spread(rng, SHORT, 60))
    e.wrong.append(("rail shorted", role))


@edit
def leave_out_regulator(e: Edited, rng: random.Random) -> None:
    if e.pair != "mudlark":  # where the rail is not measured nobody can see it; at 3.3 V there is none
        return solder_rail_to_ground(e, rng)
    role = board(rng)
    e.put(f"board.{role}.rail.radio.regulator_volts", 0.0)
    e.wrong.append(("3.3 V rail too high", role))
    return None


def _amplified(e: Edited, role: str) -> None:
    e.put(f"board.{role}.radio.variant", "high-power")
    e.owner_knows(f"board.{role}.radio.kind", "amplified")


@edit
def amplifier_without_capacitor(e: Edited, rng: random.Random) -> None:
    """115 mA at a regulator of 100: each burst lacks 15 mA for 0.46 ms, which so little capacity cannot give."""
    role = board(rng)
    _amplified(e, role)
    e.put(f"board.{role}.rail.radio.regulator_limit_ma", 100.0)
    e.put(f"board.{role}.rail.radio.bulk_uf", spread(rng, 0.1, 2.5))
    e.wrong.append(("bulk capacity lacks", role))


@edit
def dry_capacitor(e: Edited, rng: random.Random) -> None:
    """An old electrolytic: a tenth of its capacity, ohms of series resistance."""
    role = board(rng)
    _amplified(e, role)
    e.put(f"board.{role}.rail.radio.regulator_limit_ma", 100.0)
    e.put(f"board.{role}.rail.radio.bulk_uf", rng.uniform(2, 10))
    e.put(f"board.{role}.rail.radio.bulk_esr_ohms", rng.uniform(8, 40))
    e.wrong.append(("bulk capacity lacks", role))


@edit
def dry_capacitor_beside_ceramic(e: Edited, rng: random.Random) -> None:
    """What the electrolytic no longer gives, some microfarads of ceramic cannot give for it."""
    role = board(rng)
    _amplified(e, role)
    e.put(f"board.{role}.rail.radio.regulator_limit_ma", 100.0)
    e.put(f"board.{role}.rail.radio.bulk_uf", rng.uniform(2, 10))
    e.put(f"board.{role}.rail.radio.bulk_esr_ohms", rng.uniform(30, 120))
    e.put(f"board.{role}.rail.radio.ceramic_uf", rng.uniform(1, 4.7))
    e.put(f"board.{role}.rail.radio.ceramic_esr_ohms", rng.uniform(0.005, 0.03))
    e.wrong.append(("bulk capacity lacks", role))


@edit
def two_sources(e: Edited, rng: random.Random) -> None:
    """The red wire of the motor controller's lead left in, the rail fed from USB beside it."""
    e.put("board.craft.usb_apart", False)
    e.wrong.append(("two sources on a rail", "craft"))


@edit
def small_regulator(e: Edited, rng: random.Random) -> None:
    """A 50 mA part where 115 mA are drawn; 100 to 1000 µF beside it."""
    role = board(rng)
    _amplified(e, role)
    e.put(f"board.{role}.rail.radio.regulator_limit_ma", rng.uniform(40, 60))
    e.put(f"board.{role}.rail.radio.bulk_uf", spread(rng, 100, 1000))
    e.wrong.append(("regulator too small", role))


@edit
def cold_joint_module(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.rail.radio.joint_ohms", spread(rng, 30, 110))
    e.wrong.append(("joint to the module", role))


@edit
def cold_joint_supply(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.rail.main.joint_ohms", spread(rng, 18, 60))
    e.wrong.append(("joint in the supply", role))


@edit
def thin_cable(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.rail.main.series_ohms", rng.uniform(3, 8))
    e.put(f"board.{role}.led.extra_ma", rng.uniform(60, 200))
    e.owner_knows(f"board.{role}.led.beside_ma", round(e.keys[f"board.{role}.led.extra_ma"]))
    e.wrong.append(("source too weak", role))


@edit
def servo_on_the_wrong_rail(e: Edited, rng: random.Random) -> None:
    at = f"board.craft.servo.{SERVO[e.pair]}"
    e.put(f"{at}.rail", "main")
    e.put(f"{at}.stall_ma", rng.uniform(900, 1600))
    e.put("board.craft.rail.main.series_ohms", rng.uniform(0.4, 1.0))
    e.wrong.append(("servo on the logic's rail", "craft"))


@edit
def cut_servo_ground(e: Edited, rng: random.Random) -> None:
    """The servo's own supply has its ground nowhere near the board's."""
    e.put(f"board.craft.servo.{SERVO[e.pair]}.signal_ground", False)
    e.wrong.append(("servo's ground not joined", "craft"))


def _loose(place: str, wrong: str, roles: tuple[str, ...]) -> None:
    """A joint that opens when its part is pressed: neither time nor the servo's shaking opens it alone."""

    def loosen(e: Edited, rng: random.Random) -> None:
        role = rng.choice(roles)
        e.put(f"board.{role}.loose.{place}.by", "touch")
        e.put(f"board.{role}.loose.{place}.for_ms", spread(rng, 20, 200))
        e.wrong.append((wrong, role))

    EDITS[f"loose_{place}"] = loosen


for _place, _roles in (("supply", ROLES), ("module_supply", ROLES), ("miso", ROLES), ("csn", ROLES), ("joy_x", ("hand",)),
                       ("sensor", ("craft",))):  # fmt: skip
    _loose(_place, "joint loose", _roles)


@edit
def loose_by_vibration(e: Edited, rng: random.Random) -> None:
    """The joint in the module's supply opens while a servo moves or a motor turns, and when it is pressed not."""
    e.put("board.craft.loose.module_supply.by", "vibration")
    e.put("board.craft.loose.module_supply.for_ms", spread(rng, 20, 200))
    e.wrong.append(("joint loose", "craft"))


@edit
def loose_by_time(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.loose.module_supply.by", "time")
    e.put(f"board.{role}.loose.module_supply.every_s", spread(rng, 1, 6))
    e.put(f"board.{role}.loose.module_supply.for_ms", spread(rng, 20, 200))
    e.wrong.append(("joint loose", role))


@edit
def restless_servo(e: Edited, rng: random.Random) -> None:
    e.put(f"board.craft.servo.{SERVO[e.pair]}.jitter_deg", spread(rng, 3, 15))
    e.wrong.append(("servo restless", "craft"))


@edit
def wrong_fuses(e: Edited, rng: random.Random) -> None:
    role, volts = board(rng), rng.choice((0.0, 1.8))
    e.put(f"board.{role}.brown_out_v", volts)
    e.owner_knows(f"board.{role}.supply.brown_out_v", volts)
    e.wrong.append(("brown-out level", role))


@edit
def wrong_resonator(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.oscillator.ppm", rng.choice((-1, 1)) * rng.uniform(7000, 15000))
    e.wrong.append(("resonator", role))


@edit
def wrong_module_crystal(e: Edited, rng: random.Random) -> None:
    e.put(f"board.{board(rng)}.radio.crystal_ppm", rng.choice((-1, 1)) * rng.uniform(260, 420))
    e.wrong.append(("module off frequency", ""))


@edit
def other_chip(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.radio.variant", rng.choice(("clone", "nrf24l01")))
    e.wrong.append(("another transceiver chip", role))


@edit
def empty_socket(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.radio.fitted", False)
    e.wrong.append(("module never selected", role))


@edit
def cracked_aerial(e: Edited, rng: random.Random) -> None:
    e.put(f"board.{board(rng)}.radio.antenna_loss_db", rng.uniform(30, 55))
    e.wrong.append(("signal too weak", ""))


@edit
def boards_too_close(e: Edited, rng: random.Random) -> None:
    e.put("air.path_loss_db", rng.uniform(2, 10))
    e.put("air.max_input_dbm", -13.0)
    e.wrong.append(("receivers overloaded", ""))


@edit
def neighbours_network(e: Edited, rng: random.Random) -> None:
    e.put("air.interferer", [{"centre_mhz": rng.uniform(2474, 2478), "width_mhz": 20.0, "duty": rng.uniform(0.3, 0.8),
                              "power_dbm": rng.uniform(-55, -38), "burst_ms": rng.uniform(0.5, 3)}])  # fmt: skip
    e.wrong.append(("others on the channel", ""))


@edit
def second_craft(e: Edited, rng: random.Random) -> None:
    """Another craft with this pair's address, nearer than the own one or farther."""
    channel, address = ON_AIR[e.pair]
    e.put("air.stranger", [{"channel": channel, "address": address, "path_loss_db": rng.uniform(45, 85)}])
    e.wrong.append(("another craft answers", ""))


@edit
def other_settings(e: Edited, rng: random.Random) -> None:
    key, value = rng.choice((("radio_address", rng.randrange(1, 2**31)), ("radio_channel", rng.randrange(2, 70)),
                             ("radio_rate", rng.choice((0, 2))), ("radio_crc", 1)))  # fmt: skip
    e.put(f"board.{board(rng)}.settings.{key}", value)
    e.wrong.append(("settings differ", ""))


@edit
def cut_signal_ground(e: Edited, rng: random.Random) -> None:
    at = f"board.craft.esc.{MOTOR[e.pair]}"
    e.put(f"{at}.signal_ground", False)
    e.put(f"{at}.lost_s", rng.uniform(0.05, 0.25))
    e.wrong.append(("signal ground open", "craft"))


@edit
def untaught_controller(e: Edited, rng: random.Random) -> None:
    at, low = f"board.craft.esc.{MOTOR[e.pair]}", rng.uniform(850, 980)
    e.put(f"{at}.min_us", low)
    e.put(f"{at}.max_us", low + 900)
    e.wrong.append(("controller untaught", "craft"))


@edit
def controller_with_a_high_idle(e: Edited, rng: random.Random) -> None:
    """It takes nothing below 1.1 ms and more for a pulse, and was never shown this board's idle."""
    at, low = f"board.craft.esc.{MOTOR[e.pair]}", rng.uniform(1100, 1180)
    e.put(f"{at}.arms_from_us", low)
    e.put(f"{at}.min_us", low + rng.uniform(20, 60))
    e.wrong.append(("controller untaught", "craft"))


@edit
def cut_sensor(e: Edited, rng: random.Random) -> None:
    e.put("board.craft.imu.fitted", False)
    e.wrong.append(("sensor silent", "craft"))


@edit
def sensor_address_pin(e: Edited, rng: random.Random) -> None:
    e.put("board.craft.imu.address", 0x68 if e.pair == "mudlark-modules" else 0x69)
    e.wrong.append(("sensor at the other address", "craft"))


@edit
def dropped_sensor(e: Edited, rng: random.Random) -> None:
    which = rng.choice(("accel_test_pct", "gyro_test_pct"))
    e.put(f"board.craft.imu.{which}.{rng.choice('xyz')}", rng.choice((-1, 1)) * rng.uniform(22, 70))
    e.wrong.append(("sensor damaged", "craft"))


@edit
def bad_usb_cable(e: Edited, rng: random.Random) -> None:
    role = board(rng)
    e.put(f"board.{role}.serial.{rng.choice(('drop', 'flip'))}_per_million", spread(rng, 100, 3000))
    e.wrong.append(("cable loses bytes", role))


def edited(rng: random.Random, pair: str, names: tuple[str, ...], edge: bool = False) -> Edited:
    """A sound bench of that pair with these edits made one after the other."""
    e = sound(rng, pair, edge)
    for name in names:
        EDITS[name](e, rng)
    return e
