# ruff: noqa: RUF009 - the helpers return dataclass fields
"""Every key of a bench file with unit, default, range and meaning: how boards are reached, and their physics.

The classes are the table: the reader checks by it, error sentences quote it, `reference()` is written from it. What is
soldered stands in the pair file; here it stands only where a modelled board differs from what its owner says.
Numbers without a source are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from benchctl.pairfile import PairSpec
from benchctl.pairfile.keys import choice, flag, free, named, number, pins, ranges, table, tables, text, whole, words
from benchctl.pairfile.pins import FUNCTIONS, NONE, PULSES, SWITCHES
from benchctl.pairfile.schema import MOUNTS, STORED
from benchctl.terms import Role
from benchctl.wire.catalogue import BAUDS, SETTINGS
from benchctl.wire.fields import MOST_TEXT

LINES = ("mosi", "sck", "csn", "ce", "miso", "irq")
LOOSE_PLACES = ("supply", "module_supply", "miso", "mosi", "sck", "csn", "joy_x", "joy_y", "sensor")
#: what a transceiver is set to where nobody has said
_USUAL = {one.name: int(one.default) for one in SETTINGS if one.name.startswith("radio_")}
VARIANTS = ("plus", "nrf24l01", "clone", "look-alike", "high-power")


@dataclass(frozen=True, slots=True)
class OscillatorSpec:
    """Clock of the processor."""

    ppm: float = number(12.0, "ppm", -20000, 20000, "error at the start, positive is fast; ceramic parts: thousands")
    drift_ppm_per_s: float = number(0.0, "ppm/s", -100, 100, "steady change of the error")
    wander_ppm: float = number(0.02, "ppm", 0, 1000, "height of its slow wander")
    wander_s: float = number(60.0, "s", 1, 100000, "period of that wander")


@dataclass(frozen=True, slots=True)
class RailSpec:
    """One supply rail: source or feeding rail, series path, regulator, bulk capacitor at the node."""

    fed_from: str = text("", "rail that feeds this one; empty: from its own source", 24)
    source_volts: float = number(5.0, "V", 0, 30, "open-circuit voltage of the source; of no effect on a fed rail")
    series_ohms: float = number(0.25, "Ω", 0, 10000, "from the source to the regulator, or to the node")
    inductance_uh: float = number(0.5, "µH", 0, 1000, "of that path; of no effect behind a regulator")
    regulator_volts: float = number(0.0, "V", 0, 20, "output of the regulator; 0: none")
    regulator_dropout_v: float = number(1.1, "V", 0, 5, "least input above output; AMS1117 sheet: 1.1 V at 0.8 A")
    regulator_limit_ma: float = number(0.0, "mA", 0, 20000, "current limit of regulator or source; 0: none")
    regulator_recovery_us: float = number(20.0, "µs", 0.5, 5000, "time constant of its answer to a step")
    joint_ohms: float = number(0.02, "Ω", 0, 10000, "between regulator and the parts' pins: joints and tracks")
    bulk_uf: float = number(47.0, "µF", 0, 100000, "bulk capacitor at the node")
    bulk_esr_ohms: float = number(0.2, "Ω", 0, 1000, "its series resistance")
    ceramic_uf: float = number(0.1, "µF", 0.1, 1000, "ceramic capacitors beside it")
    ceramic_esr_ohms: float = number(0.02, "Ω", 0, 10, "their series resistance")
    leak_ohms: float = number(10000.0, "Ω", 0.01, math.inf, "across the rail; a meter reads it on the unpowered board")
    noise_mv: float = number(2.0, "mV", 0, 2000, "ripple and noise, rms, as an analogue input sees it")


@dataclass(frozen=True, slots=True)
class LoadSpec:
    """Something that draws current by itself while its rail is on."""

    rail: str = text("main", "rail it hangs on", 24)
    steady_ma: float = number(0.0, "mA", 0, 20000, "always")
    burst_ma: float = number(0.0, "mA", 0, 20000, "added during bursts")
    burst_ms: float = number(1.0, "ms", 0.01, 10000, "length of a burst")
    burst_every_ms: float = number(0.0, "ms", 0, 100000, "from burst to burst; 0: no bursts")
    spike_ma: float = number(0.0, "mA", 0, 20000, "added once when the rail is switched on")
    spike_us: float = number(100.0, "µs", 1, 1000000, "length of that spike")


@dataclass(frozen=True, slots=True)
class LineSpec:
    """One line between processor and transceiver; the defaults are a good one."""

    series_ohms: float = number(0.0, "Ω", 0, 1e9, "in the line; 1000000 and more: open")
    to_ground_ohms: float = number(1e9, "Ω", 0, 1e9, "leak or short to ground at the receiving end")
    to_supply_ohms: float = number(1e9, "Ω", 0, 1e9, "leak or short to the supply at the receiving end")
    to_line: str = choice("", ("", *LINES), "line it is really soldered to; empty: its own")
    bridged_to: str = choice("", ("", *LINES), "line it is bridged with; the lower level wins")
    float_level: int = choice(-1, (-1, 0, 1, 2), "level when nothing drives it: 0, 1, 2 keeps the last; -1: the usual")


@dataclass(frozen=True, slots=True)
class RadioSpec:
    """The transceiver module and its lines."""

    fitted: bool = flag(True, "false: no transceiver in its place")
    rail: str = text("radio", "rail it hangs on", 24)
    variant: str = choice(
        "plus",
        VARIANTS,
        "nRF24L01+, older chip, copy, inverted no-acknowledge bit, amplifier",
    )
    tx_offset_db: float = number(0.0, "dB", -40, 20, "error of its output power; sheet allows 4")
    antenna_loss_db: float = number(0.0, "dB", 0, 100, "loss at its antenna, both ways")
    crystal_ppm: float = number(5.0, "ppm", -500, 500, "error of its own 16 MHz crystal; sheet allows 60")
    por_ms: float = number(10.0, "ms", 1, 100, "power-on reset; sheet: 1 to 100")
    crystal_start_ms: float = number(1.5, "ms", 0.15, 10, "power-down to standby; sheet: 1.5, 3 or 4.5 by crystal")
    temperature_degc: float = number(25.0, "°C", -40, 85, "moves the threshold of the received-power detector")
    reset_v: float = number(1.9, "V", 1.0, 3.6, "below this it forgets its settings; sheet: 1.9")
    startup_spike_ma: float = number(0.0, "mA", 0, 2000, "drawn besides when its supply comes up")
    startup_spike_ms: float = number(1.0, "ms", 0.001, 1000, "for so long")
    tx_ma: float = number(0.0, "mA", 0, 2000, "sending at full power; 0: the variant's, 11.3 or 115")
    miso: LineSpec = table(LineSpec, "MISO line")
    mosi: LineSpec = table(LineSpec, "MOSI line")
    sck: LineSpec = table(LineSpec, "SCK line")
    csn: LineSpec = table(LineSpec, "CSN line")
    ce: LineSpec = table(LineSpec, "CE line")
    irq: LineSpec = table(LineSpec, "IRQ line")


@dataclass(frozen=True, slots=True)
class SwitchSpec:
    """A push switch."""

    fitted: bool = flag(True, "false: not there, the line stays at its rest level")
    closes_to: str = choice("ground", ("ground", "supply"), "where it leads when it is pressed")
    pull_ohms: float = number(10000.0, "Ω", 10, math.inf, "resistor to the other side; inf: none, the line floats")
    bounce_count: int = whole(4, "", 0, 200, "most extra closures per press or release; the mean is half of it")
    bounce_us: float = number(1500.0, "µs", 0, 500000, "longest bounce; 1.5 ms is an often seen mean")
    stuck: str = choice("no", ("no", "open", "closed"), "never closes, or never opens")


@dataclass(frozen=True, slots=True)
class AxisSpec:
    """One joystick axis, in counts of 0 to 1023 of its supply."""

    min_counts: float = number(8.0, "counts", -200, 1223, "at one end")
    centre_counts: float = number(514.0, "counts", 0, 1023, "let go")
    max_counts: float = number(1016.0, "counts", -200, 1223, "at the other end")
    noise_counts: float = number(0.7, "counts", 0, 200, "rms")
    worn_counts: tuple[tuple[float, float], ...] = ranges("counts", "stretches of the track that no longer conduct")
    open: bool = flag(False, "wiper not connected: the input drifts")


@dataclass(frozen=True, slots=True)
class JoystickSpec:
    """Two potentiometers between ground and the processor's rail."""

    fitted: bool = flag(True, "false: both inputs drift")
    swapped: bool = flag(False, "x and y exchanged")
    unpowered: bool = flag(False, "supply end open: both read about 0")
    x: AxisSpec = table(AxisSpec, "left and right")
    y: AxisSpec = table(AxisSpec, "up and down")


@dataclass(frozen=True, slots=True)
class LedSpec:
    """An LED with resistor between its pin and ground, or the supply."""

    fitted: bool = flag(True, "false: not there")
    reversed: bool = flag(False, "the wrong way round")
    open: bool = flag(False, "a joint that does not conduct")
    active_low: bool = flag(False, "from the supply to the pin: lights when the pin is low")
    series_ohms: float = number(330.0, "Ω", 1, 1000000, "its resistor")
    forward_v: float = number(2.0, "V", 0.5, 5, "its forward voltage")
    extra_ma: float = number(0.0, "mA", 0, 5000, "a lamp or buzzer on the same pin, through a transistor")


@dataclass(frozen=True, slots=True)
class ServoSpec:
    """A servo on a pulse output."""

    fitted: bool = flag(True, "false: header empty")
    rail: str = text("servo", "rail that supplies it", 24)
    gain: float = number(1.0, "", 0, 5, "angle per pulse width against nominal")
    deg_per_ms: float = number(90.0, "°/ms", 1, 500, "nominal angle per pulse width; 90 to 120 is usual")
    min_us: float = number(800.0, "µs", 100, 3000, "shortest pulse it follows")
    max_us: float = number(2200.0, "µs", 100, 3000, "longest pulse it follows")
    deadband_us: float = number(4.0, "µs", 0, 200, "change that it ignores")
    slew_deg_per_s: float = number(400.0, "°/s", 1, 5000, "speed")
    jitter_deg: float = number(0.1, "°", 0, 30, "unrest of its shaft, rms")
    quiet_ma: float = number(6.0, "mA", 0, 2000, "at rest")
    moving_ma: float = number(180.0, "mA", 0, 10000, "moving")
    stall_ma: float = number(650.0, "mA", 0, 20000, "starting, and against a stop")
    start_ms: float = number(8.0, "ms", 0, 200, "how long a start draws the stall current")
    signal_ground: bool = flag(True, "false: its supply's ground is not joined to the board's, no pulse arrives")


@dataclass(frozen=True, slots=True)
class EscSpec:
    """A motor controller on a pulse output."""

    fitted: bool = flag(True, "false: header empty")
    rail: str = text("battery", "rail that supplies the motor", 24)
    plugged: bool = flag(True, "its battery is connected from the start; false: somebody has to")
    needs_arming: bool = flag(True, "wants the idle pulse for a while before it turns")
    arming_s: float = number(2.0, "s", 0, 20, "how long; 1 to 3 s is usual")
    sound: str = choice("beeps", ("beeps", "tune", "tune, then beeps", "long tone"), "what it gives when it has armed")
    beeps: int = whole(2, "", 0, 20, "beeps when armed")
    min_us: float = number(1040.0, "µs", 500, 2500, "taught end point: above this it turns")
    max_us: float = number(1960.0, "µs", 500, 2500, "taught end point: full throttle")
    arms_from_us: float = number(0.0, "µs", 0, 2000, "a shorter pulse is none to it, so that it does not arm on one")
    lost_s: float = number(0.5, "s", 0.02, 20, "it stops when no pulse comes for so long; 0.25 to 2 s is usual")
    teachable: bool = flag(True, "learns its end points when full throttle stands as it gets power")
    teach_s: float = number(1.5, "s", 0.2, 10, "how long an end point must stand to be taken; no source")
    reversible: bool = flag(False, "turns both ways; at rest from 1500 µs by less than `dead_us`")
    dead_us: float = number(25.0, "µs", 1, 200, "reversible: about the neutral, nothing turns; no source")
    brake: bool = flag(False, "brakes the motor at idle")
    signal_ground: bool = flag(True, "false: no ground wire at the header, pulses arrive now and then")


@dataclass(frozen=True, slots=True)
class MotorSpec:
    """The motor at a motor controller."""

    place: str = text("", "where on the craft it really sits; left out: where the pair file says", 40)
    turns: str = choice("", ("", "clockwise", "anticlockwise"), "which way it really turns; left out: as declared")
    full_ma: float = number(6000.0, "mA", 0, 100000, "at full throttle; the current goes with the cube of the speed")
    free_ma: float = number(300.0, "mA", 0, 20000, "just turning")
    start_ma: float = number(1500.0, "mA", 0, 100000, "added when it starts from rest")
    start_ms: float = number(60.0, "ms", 0, 5000, "time constant of that")
    kv_rpm_per_v: float = number(1400.0, "rpm/V", 1, 50000, "speed per volt")
    time_constant_s: float = number(0.08, "s", 0.001, 10, "inertia: time to follow a change of throttle")
    vibration_g: float = number(0.25, "g", 0, 16, "at the sensor at full speed, rms; goes with the square of the speed")


@dataclass(frozen=True, slots=True)
class AxesSpec:
    """One number for each of the sensor's axes."""

    x: float = number(0.0, "", -20000, 20000, "x")
    y: float = number(0.0, "", -20000, 20000, "y")
    z: float = number(0.0, "", -20000, 20000, "z")


@dataclass(frozen=True, slots=True)
class ImuSpec:
    """The inertial sensor, an MPU-6050."""

    fitted: bool = flag(True, "false: nobody answers on the bus")
    rail: str = text("radio", "rail that supplies it", 24)
    supply_ma: float = number(3.8, "mA", 0, 100, "its current; sheet: 3.8")
    address: int = choice(0x68, (0x68, 0x69), "104 (0x68), or 105 (0x69) with AD0 high")
    who_am_i: int = choice(0x68, (0x68, 0x70, 0x71, 0x72, 0x98), "identity, and with it which part of the family")
    accel_bias_mg: AxesSpec = table(AxesSpec, "zero offset in mg; sheet allows 50 (x, y) and 80 (z)")
    gyro_bias_dps: AxesSpec = table(AxesSpec, "zero offset in °/s; sheet allows 20")
    accel_scale_pct: AxesSpec = table(AxesSpec, "scale error in %; sheet: 3 typical")
    gyro_scale_pct: AxesSpec = table(AxesSpec, "scale error in %; sheet: 3")
    accel_test_pct: AxesSpec = table(AxesSpec, "self-test response against factory trim in %; sheet: 14 at most")
    gyro_test_pct: AxesSpec = table(AxesSpec, "the same for the rate gyro")
    accel_trim_code: int = whole(16, "", 0, 31, "factory trim code, all axes; 0: none stored")
    gyro_trim_code: int = whole(16, "", 0, 31, "factory trim code, all axes; 0: none stored")
    accel_noise_ug: float = number(400.0, "µg/√Hz", 0, 100000, "noise density; sheet: 400")
    gyro_noise_dps: float = number(0.005, "°/s/√Hz", 0, 10, "noise density; sheet: 0.005")
    temperature_degc: float = number(24.0, "°C", -40, 85, "of the chip")
    mount: str = choice("xyz", MOUNTS, "board axis of each sensor axis")


@dataclass(frozen=True, slots=True)
class LooseSpec:
    """A joint that makes contact now and then."""

    by: str = choice(
        "touch", ("touch", "vibration", "time"), "what opens it: its part pressed, a servo or motor, nothing"
    )
    every_s: float = number(3.0, "s", 0.05, 10000, "by time: mean time from break to break")
    for_ms: float = number(60.0, "ms", 0.1, 10000, "how long each break lasts; no source")


@dataclass(frozen=True, slots=True)
class SerialSpec:
    """What happens to bytes between board and host."""

    drop_per_million: float = number(0.0, "bytes per million", 0, 1000000, "bytes lost")
    flip_per_million: float = number(0.0, "bytes per million", 0, 1000000, "bytes with one bit changed")
    noise_bytes_per_s: float = number(0.0, "bytes/s", 0, 100000, "bytes from nowhere, towards the host")
    latency_ms: float = number(1.0, "ms", 0, 255, "latency timer of the USB-serial chip; 1 to 16 is usual")


@dataclass(frozen=True, slots=True)
class BoardSpec:
    """One soldered unit."""

    label: str = text("", f"its label, at most {MOST_TEXT} bytes; left out: the pair file's", MOST_TEXT, real=True)
    port: str = text("", "serial port or pyserial URL; empty: whichever port answers with this label", real=True)
    baud: int = choice(BAUDS[0], BAUDS, "speed of its serial line", "Bd", real=True)
    via: str = choice("", ("", *Role), "role of the board that relays to it; empty: it has its own port", real=True)
    told: bool = flag(True, "its owner has stored the pair file's wiring in it before; false: its EEPROM is blank")
    clock_hz: int = choice(16000000, (16000000, 8000000), "processor clock", "Hz")
    image: str = text("", "firmware image to run in place of the shipped probe (avr); beside the bench file", 400)
    supply_rail: str = text("main", "rail of the processor", 24)
    bandgap_v: float = number(1.1, "V", 1.0, 1.2, "true band-gap voltage; ATmega328P sheet: 1.0 to 1.2")
    brown_out_v: float = choice(2.7, (4.3, 2.7, 1.8, 0.0), "brown-out level in the fuses; 0: off", "V")
    low_fuse: int = whole(0xFF, "", 0, 255, "low fuse byte: clock source, and whether it is divided by 8")
    high_fuse: int = whole(0xDE, "", 0, 255, "high fuse byte: room for the boot loader, and whether it starts")
    loader_loops: bool = flag(
        False, "its boot loader never ends a watchdog's reset: it starts over until it has no supply"
    )
    lock_bits: int = whole(0xFF, "", 0, 255, "lock bits")
    processor_ma: float = number(14.0, "mA", 0, 200, "processor and serial chip; no source")
    adc_noise_mv: float = number(1.0, "mV", 0, 200, "noise at the converter's input, rms")
    hang_every_s: float = number(0.0, "s", 0, 100000, "its program hangs about that often; 0: never")
    usb_apart: bool = flag(True, "false: the motor controllers' regulator feeds back into USB through their red wire")
    outputs_confirmed: bool = flag(False, "a person has confirmed its pulse outputs before")
    pins: Mapping[str, str] = pins(f'where the lines really go, where not as declared; "{NONE}": nowhere', FUNCTIONS)
    settings: Mapping[str, int | str] = free("what is stored in it besides what the pair file says", STORED)
    oscillator: OscillatorSpec = table(OscillatorSpec, "clock error")
    rail: Mapping[str, RailSpec] = named(RailSpec, "supply rails")
    load: Mapping[str, LoadSpec] = named(LoadSpec, "other things that draw current")
    radio: RadioSpec = table(RadioSpec, "transceiver")
    switch: Mapping[str, SwitchSpec] = named(SwitchSpec, "switches", SWITCHES)
    joystick: JoystickSpec = table(JoystickSpec, "joystick")
    led: LedSpec = table(LedSpec, "LED")
    servo: Mapping[str, ServoSpec] = named(ServoSpec, "servos by pulse output", PULSES)
    esc: Mapping[str, EscSpec] = named(EscSpec, "motor controllers by pulse output", PULSES)
    motor: Mapping[str, MotorSpec] = named(MotorSpec, "their motors", PULSES)
    imu: ImuSpec = table(ImuSpec, "inertial sensor")
    serial: SerialSpec = table(SerialSpec, "serial line to the host")
    loose: Mapping[str, LooseSpec] = named(LooseSpec, "joints that make contact now and then, by place", LOOSE_PLACES)


@dataclass(frozen=True, slots=True)
class InterfererSpec:
    """Somebody else in the band."""

    centre_mhz: float = number(2437.0, "MHz", 2300, 2600, "centre; Wi-Fi channel 6 is 2437")
    width_mhz: float = number(20.0, "MHz", 0.1, 200, "width; Wi-Fi 20, Bluetooth 1")
    power_dbm: float = number(-60.0, "dBm", -150, 30, "at the boards, over the whole width")
    duty: float = number(0.1, "", 0, 1, "fraction of time on the air")
    burst_ms: float = number(1.0, "ms", 0.05, 1000, "mean length of a burst")


@dataclass(frozen=True, slots=True)
class StrangerSpec:
    """Another craft on the air, with radio settings of its own; it listens and acknowledges."""

    channel: int = whole(_USUAL["radio_channel"], "", 0, 125, "its channel")
    rate: int = whole(_USUAL["radio_rate"], "", 0, 2, "its data rate, as in the setting radio_rate")
    crc: int = whole(_USUAL["radio_crc"], "", 0, 2, "bytes of its CRC")
    address: int = whole(_USUAL["radio_address"], "", 0, 2**32 - 1, "upper four bytes of its address")
    path_loss_db: float = number(60.0, "dB", 0, 200, "between it and the boards")


@dataclass(frozen=True, slots=True)
class AirSpec:
    """The radio channel between the boards."""

    path_loss_db: float = number(60.0, "dB", 0, 200, "between any two boards; 2 m in the open is about 46")
    fading_db: float = number(0.0, "dB", 0, 40, "slow variation of the path, standard deviation")
    fading_s: float = number(0.5, "s", 0.001, 1000, "over which the variation is alike")
    deep_fade_db: float = number(0.0, "dB", 0, 100, "depth of short deep fades; 0: none")
    deep_fade_per_s: float = number(0.0, "1/s", 0, 100, "their mean rate")
    deep_fade_ms: float = number(20.0, "ms", 0.1, 10000, "their mean length")
    max_input_dbm: float = number(0.0, "dBm", -60, 30, "receivers overload above it; sheet: 0")
    interferer: tuple[InterfererSpec, ...] = tables(InterfererSpec, "interferers")
    stranger: tuple[StrangerSpec, ...] = tables(StrangerSpec, "other craft")


@dataclass(frozen=True, slots=True)
class OperatorSpec:
    """The person at a simulated bench."""

    present: bool = flag(True, "false: nobody answers")
    reaction_s: float = number(0.6, "s", 0.1, 60, "mean time to see, decide and act")
    miscount_probability: float = number(0.0, "", 0, 1, "chance of counting one wrong")
    meter_error_pct: float = number(0.3, "%", 0, 50, "error of the meter, standard deviation")
    only_says: tuple[str, ...] = words("attestations that are given without what they say being done, by name")
    says_no: tuple[str, ...] = words("attestations and checks that are not confirmed, by name")


@dataclass(frozen=True, slots=True)
class WireSpec:
    """A jumper wire between two boards, or two points of one."""

    start: str = text("", "driving end, as role.function: craft.pulse1", 40, toml="from")
    to: str = text("", "sensing end, as role.function: hand.capture", 40)
    open: bool = flag(False, "broken, or not plugged in")


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """A whole bench, checked. pair: what is declared. sha256: of this and the pair file. path: where it came from."""

    name: str = text("", "name of the bench; left out: the file's name", 60, real=True)
    kind: str = choice(
        "sim", ("sim", "avr", "ports"), "modelled, real firmware on a simulated chip, or real boards", real=True
    )
    pair_file: str = text("", "what is soldered: a pair's name or file", 400, toml="pair", real=True)
    only: tuple[str, ...] = words(
        'roles of the boards that are there, such as ["hand"]; none: all of the pair', real=True
    )
    seed: int = whole(1, "", 0, 2**31 - 1, "of all chance, unless one is given on the command line")
    boards: Mapping[Role, BoardSpec] = named(BoardSpec, "the boards by role", tuple(Role), toml="board", real=True)
    wires: tuple[WireSpec, ...] = tables(WireSpec, "jumper wires", toml="wire")
    air: AirSpec = table(AirSpec, "radio channel")
    operator: OperatorSpec = table(OperatorSpec, "simulated operator")
    harm: tuple[str, ...] = words("harm that this bench's own fault does, by kind in the harm log")
    pair: PairSpec = field(default_factory=PairSpec)
    sha256: str = ""
    path: str = ""

    def unspoken(self) -> BenchSpec:
        """The same boards before anybody has said or stored anything: no declaration, blank EEPROM, first speed."""
        boards = {r: replace(b, told=False, baud=BAUDS[0]) for r, b in self.boards.items()}
        return replace(self, pair=PairSpec(), boards=boards)

    def with_changes(
        self, *, kind: str | None = None, seed: int | None = None, labels: Mapping[Role, str] | None = None
    ) -> BenchSpec:
        """A copy with another kind, seed, or labels of some boards."""
        boards = {r: replace(b, label=(labels or {}).get(r, b.label)) for r, b in self.boards.items()}
        return replace(
            self, kind=self.kind if kind is None else kind, seed=self.seed if seed is None else seed, boards=boards
        )
