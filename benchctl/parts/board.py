"""One soldered unit of the modelled world: its rails and parts, and the signals at its processor's pins.

The processor itself is not here: `avr` and `sim` each bring their own, drive `outputs` and read `inputs`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from functools import partial

from benchctl.benchfile import BoardSpec, LineSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.imu import Imu
from benchctl.parts.joystick import Joystick
from benchctl.parts.led import Led
from benchctl.parts.loose import Loose
from benchctl.parts.motor import Esc, Motor
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.nrf24_lines import LineFault, Lines, LinesConfig, Pins, attach
from benchctl.parts.oscillator import Oscillator, OscillatorConfig
from benchctl.parts.rail import Rail
from benchctl.parts.servo import Servo
from benchctl.parts.signal import Signal
from benchctl.parts.surroundings import nominal_volts
from benchctl.parts.switch import LET_GO, Switch
from benchctl.terms import Role

#: below this the processor loses its memory; ATmega328P data sheet, power-on reset threshold falling, about 1.0 V
POWER_ON_RESET_V = 1.0
#: what a processor held in reset draws; no source
HELD_A = 2e-3
IMU_LEAST_V = 2.375
#: a pull below this draws what a supply notices while its switch is closed
STRONG_PULL_OHMS = 1000.0
#: a servo that was told to move shakes the board for so long; no source
SHAKES_S = 0.3
#: the reset line hangs on the supply; below this another board takes it for low (data sheet: VIL 0.3 VCC at 5 V)
RESET_LINE_LOW_V = 1.5
#: what a controller's regulator pushes towards USB when both are at 5 V; no source
BACK_FED_A = 0.15
#: the divider between a board's supply and the gauge's input
VCC_DIVIDER = 2.0

OUTPUTS = ("led", *(f"pulse{n}" for n in range(1, 7)), "radio_ce", "radio_csn", "stimulus", "stick_out")
INPUTS = ("radio_irq", "capture", "loop_back", "watch1", "watch2", "watch3", "reset_watch1", "reset_watch2")
#: levels of outputs that nothing drives
_REST = {"radio_csn": 1.0, "stimulus": 1.0}

#: told (role, held, time): the processor is held in reset, or let go
OnHeld = Callable[[Role, bool, float], object]
#: told (role, time): the processor's memory is gone
OnMemoryLost = Callable[[Role, float], object]


class Board:
    """All that is on one board.

    pins: function to pin, as in the bench file. outputs: a Signal for each function that the chip drives, level 0 or
    1; `switch1`, `switch2` and `stimulus` are open drains, 0 pulls low; `stick_out` may have any level from 0 to 1.
    inputs: a Signal for each function that the chip reads as a level. analog(function, time): volts at a converter
    input. spi: the transceiver behind its lines. twi: the inertial sensor. held: the supply keeps the chip in reset.
    """

    def __init__(self, role: Role, spec: BoardSpec, agenda: Agenda, air: Air, seed: int) -> None:
        self.role = role
        self.spec = spec
        self.pins = dict(spec.pins)
        self.held = False
        self.powered = True
        #: the red wires of the motor controllers' signal leads are out of their connectors
        self.red_lifted = False
        self.on_held: list[OnHeld] = []
        self.on_memory_lost: list[OnMemoryLost] = []
        #: called when the processor's program hangs: its main loop comes round no more
        self.on_hang: list[Callable[[], object]] = []
        #: told (time) when the board, or its motors' battery, is plugged in or unplugged
        self.on_power: list[Callable[[float], object]] = []
        #: told (lifted, time) when its jumpers are pulled out or put back
        self.on_jumpers: list[Callable[[bool, float], object]] = []
        self.reset_line = Signal(f"{role} reset", 1.0)
        self.analog_wires: dict[str, Callable[[float], float]] = {}
        self._agenda = agenda
        self._seed = seed
        self._noise = self._chance("converter")
        self.rails = self._make_rails()
        self._nominal = {name: nominal_volts(spec.rail, name) for name in spec.rail}
        self.supply = self.rails[spec.supply_rail]
        self._make_clock()
        self._make_radio(air)
        self._make_controls()
        self._make_outputs()
        self._make_sensor()
        self._load_rails()
        self._watch_supply()
        self.loose = [
            Loose(place, one, agenda, self._chance(f"loose {place}"), partial(self._opens, place), self._shakes)
            for place, one in spec.loose.items()
        ]
        self._program = self._chance("program")
        self._next_hang()

    def _chance(self, part: str) -> random.Random:
        """Each part has a chance of its own, so that no part's draws depend on another's numbers."""
        return random.Random(f"{self._seed} {self.role} {part}")

    # -- making ---------------------------------------------------------------------------------------------------

    def _make_rails(self) -> dict[str, Rail]:
        made: dict[str, Rail] = {}

        def make(name: str) -> Rail:
            if name not in made:
                spec = self.spec.rail[name]
                parent = make(spec.fed_from) if spec.fed_from else None
                made[name] = Rail(name, spec, self._agenda, parent)
            return made[name]

        for name in self.spec.rail:
            make(name)
        return made

    def _make_clock(self) -> None:
        one = self.spec.oscillator
        config = OscillatorConfig(
            ppm=one.ppm, drift_ppm_per_s=one.drift_ppm_per_s, wander_ppm=one.wander_ppm, wander_s=one.wander_s
        )
        self.oscillator = Oscillator(config, self._chance("oscillator"))

    def _make_radio(self, air: Air) -> None:
        one = self.spec.radio
        config = TransceiverConfig(
            variant=one.variant,
            fitted=one.fitted,
            tx_offset_db=one.tx_offset_db,
            antenna_loss_db=one.antenna_loss_db,
            crystal_ppm=one.crystal_ppm,
            por_ms=one.por_ms,
            crystal_start_ms=one.crystal_start_ms,
            temperature_c=one.temperature_degc,
            reset_v=one.reset_v,
            startup_spike_ma=one.startup_spike_ma,
            startup_spike_ms=one.startup_spike_ms,
            tx_current_ma=one.tx_ma or None,
        )
        rail = self.rails.get(one.rail)
        powered = rail is not None and rail.volts(self._agenda.now) >= one.reset_v
        self.radio = Transceiver(self._agenda, air, self._chance("radio"), config, str(self.role), powered)
        lines = {name: _fault(getattr(one, name)) for name in ("miso", "mosi", "sck", "csn", "ce", "irq")}
        loose = any(place in lines for place in self.spec.loose)
        self.spi: Pins = attach(self.radio, LinesConfig(**lines), loose=loose)
        if rail is not None and one.fitted:
            rail.set_load("transceiver", self.radio.current.level, self._agenda.now)
            self.radio.current.connect(lambda amps, time: rail.set_load("transceiver", amps, time))
            rail.watch(one.reset_v, lambda below, time: self.radio.power(0.0 if below else rail.volts(time), time))

    def _make_controls(self) -> None:
        agenda = self._agenda
        self.switches = {
            name: Switch(f"{self.role} {name}", spec, agenda, self._chance(name))
            for name, spec in self.spec.switch.items()
        }
        for name, switch in self.switches.items():
            if switch.spec.pull_ohms < STRONG_PULL_OHMS:
                switch.contact.connect(partial(self._pulls, name))
        self.joystick = Joystick(self.spec.joystick, self._chance("joystick"))
        self.inputs = {name: Signal(f"{self.role} {name}") for name in INPUTS}
        self.inputs["radio_irq"] = self.spi.irq
        self.inputs.update({name: switch.line for name, switch in self.switches.items()})

    def _pulls(self, name: str, closed: float, time: float) -> None:
        """What flows through a strong pull while its switch is closed."""
        amps = self._nominal[self.spec.supply_rail] / self.spec.switch[name].pull_ohms
        self.supply.set_load(f"pull of {name}", closed * amps, time)

    def _make_outputs(self) -> None:
        agenda, spec = self._agenda, self.spec
        names = (*OUTPUTS, *self.switches)
        rest = {**_REST, **dict.fromkeys(self.switches, LET_GO), "led": 1.0 if spec.led.active_low else 0.0}
        self.rest = {name: rest.get(name, 0.0) for name in names}
        self.outputs = {name: Signal(f"{self.role} {name}", self.rest[name]) for name in names}
        self.led = Led("led", spec.led, self.supply)
        self.outputs["led"].connect(self.led.drive)
        self.outputs["radio_ce"].connect(self.spi.set_ce)
        for name, switch in self.switches.items():
            self.outputs[name].connect(_pull_of(switch, str(self.role)))
        self.servos = {
            name: Servo(f"servo {name}", one, self.rails[one.rail], agenda, self._chance(name))
            for name, one in spec.servo.items()
            if one.fitted
        }
        fitted = {name: one for name, one in spec.esc.items() if one.fitted}
        self.motors = {
            name: Motor(f"motor {name}", one, self.rails[fitted[name].rail], agenda, fitted[name].brake)
            for name, one in spec.motor.items()
            if name in fitted
        }
        self.escs = {
            name: Esc(f"esc {name}", one, self.motors.get(name), agenda, self._chance(name))
            for name, one in fitted.items()
        }
        self.motor_plugged = {name: one.plugged for name, one in fitted.items()}
        self._power_escs(self._agenda.now)
        for name, servo in self.servos.items():
            self.outputs[name].connect(servo.signal)
        for name, esc in self.escs.items():
            self.outputs[name].connect(esc.signal)
        self._stick = Smoothed(self.outputs["stick_out"])

    def _make_sensor(self) -> None:
        self.twi = self.imu = Imu(self.spec.imu, self._agenda, self._chance("imu"), self._shaking)
        if self.spec.imu.fitted:
            rail = self.rails[self.spec.imu.rail]
            rail.set_load("imu", self.spec.imu.supply_ma * 1e-3, self._agenda.now)
            rail.watch(IMU_LEAST_V, lambda below, time: self.imu.power(0.0 if below else rail.volts(time), time))

    def _shaking(self, time: float) -> tuple[float, float, float]:
        x = y = hertz = 0.0
        for motor in self.motors.values():
            mx, my, f = motor.vibration(time)
            x, y, hertz = x + mx, y + my, max(hertz, f)
        return x, y, hertz

    def _load_rails(self) -> None:
        now = self._agenda.now
        self.supply.set_load("processor", self.spec.processor_ma * 1e-3, now)
        for name, load in self.spec.load.items():
            rail = self.rails[load.rail]
            rail.set_load(f"load {name}", load.steady_ma * 1e-3, now)
            if load.burst_every_ms and load.burst_ma:
                first = self._chance(f"load {name}").uniform(0.0, load.burst_every_ms * 1e-3)
                self._agenda.at(now + first, self._burst, name)

    def _burst(self, name: str) -> None:
        load = self.spec.load[name]
        if self.powered:
            self.rails[load.rail].burst(f"burst {name}", load.burst_ma * 1e-3, load.burst_ms * 1e-3, self._agenda.now)
        self._agenda.after(load.burst_every_ms * 1e-3, self._burst, name)

    # -- joints ---------------------------------------------------------------------------------------------------

    def press(self, part: str, until: float) -> None:
        """Somebody presses a part and wiggles it, until then."""
        for joint in self.loose:
            if joint.part == part:
                joint.press(until)

    def _shakes(self, time: float) -> bool:
        turns = any(motor.spinning for motor in self.motors.values())
        return turns or any(time - at < SHAKES_S for servo in self.servos.values() for at, _ in servo.moves[-1:])

    def _opens(self, place: str, opened: bool, time: float) -> None:
        """A joint opens, or makes contact again."""
        if place == "supply":
            root = self.supply
            while root.parent is not None:
                root = root.parent
            root.switch(self.powered and not opened, time)
        elif place == "sensor":
            self.imu.power(0.0 if opened else self.rails[self.spec.imu.rail].volts(time), time)
        elif place == "module_supply":
            rail = self.rails.get(self.spec.radio.rail)
            self.radio.power(0.0 if opened or rail is None else rail.volts(time), time)
        elif place.startswith("joy_"):
            (self.joystick.adrift.add if opened else self.joystick.adrift.discard)(place[-1])
        elif isinstance(self.spi, Lines):
            self.spi.open(place, opened, time)

    # -- program --------------------------------------------------------------------------------------------------

    def _next_hang(self) -> None:
        if self.spec.hang_every_s:
            self._agenda.after(self.spec.hang_every_s * self._program.uniform(0.5, 1.5), self._hang)

    def _hang(self) -> None:
        if not self.held:
            for tell in self.on_hang:
                tell()
        self._next_hang()

    # -- supply ---------------------------------------------------------------------------------------------------

    def _watch_supply(self) -> None:
        if self.spec.brown_out_v > POWER_ON_RESET_V:
            watch = self.supply.watch(self.spec.brown_out_v, self._hold)
            self.held = watch.below
        reset = self.supply.watch(RESET_LINE_LOW_V, lambda below, time: self.reset_line.set(float(not below), time))
        self.reset_line.set(float(not reset.below), self._agenda.now)
        lost = self.supply.watch(POWER_ON_RESET_V, self._memory_lost)
        self.held = self.held or lost.below

    def _memory_lost(self, below: bool, time: float) -> None:
        if below:
            self._hold(True, time)
            for tell in self.on_memory_lost:
                tell(self.role, time)
        elif self.spec.brown_out_v <= POWER_ON_RESET_V:
            self._hold(False, time)

    def _hold(self, held: bool, time: float) -> None:
        if held == self.held:
            return
        self.held = held
        if held:
            self.release_outputs(time)
        self.supply.set_load("processor", HELD_A if held else self.spec.processor_ma * 1e-3, time)
        for tell in self.on_held:
            tell(self.role, held, time)

    def release_outputs(self, time: float) -> None:
        """All pins of the chip become inputs: what hangs on them goes to its rest."""
        for name, signal in self.outputs.items():
            signal.set(self.rest[name], time)

    def now(self) -> float:
        """Bench time, s."""
        return self._agenda.now

    def nominal(self, rail: str) -> float:
        """Volts of a rail without load, 0 while the board is unplugged."""
        return self._nominal.get(rail, 0.0) if self.powered else 0.0

    def nominal_supply(self) -> float:
        """The same of the processor's."""
        return self.nominal(self.spec.supply_rail)

    def power_off(self, time: float) -> None:
        """Pull every source: USB and battery."""
        self.powered = False
        for rail in self.rails.values():
            if rail.parent is None:
                rail.switch(False, time)
        self._power_escs(time)
        for tell in self.on_power:
            tell(time)

    def lift_jumpers(self, lifted: bool, time: float) -> None:
        """Pull all jumpers to and from this board out, or put them back."""
        for tell in self.on_jumpers:
            tell(lifted, time)

    def plug_motor(self, on: bool, time: float) -> None:
        """Connect or disconnect the battery leads of the motor controllers."""
        self.motor_plugged = dict.fromkeys(self.escs, on)
        self._power_escs(time)
        for tell in self.on_power:
            tell(time)

    def lift_red(self, lifted: bool, time: float) -> None:
        """Take the red wires of the motor controllers' signal leads out, or put them back."""
        self.red_lifted = lifted
        self._power_escs(time)

    def _power_escs(self, time: float) -> None:
        for name, esc in self.escs.items():
            if esc.powered != (self.powered and self.motor_plugged[name]):
                esc.power(self.powered and self.motor_plugged[name], time)
        back = BACK_FED_A if self.fed_back else 0.0
        self.supply.set_load("controller's regulator", -back, time)

    @property
    def fed_back(self) -> bool:
        """Whether a motor controller's regulator feeds the processor's rail, and USB behind it."""
        plugged = any(self.motor_plugged.values())
        return self.powered and plugged and not self.spec.usb_apart and not self.red_lifted

    def power_on(self, time: float) -> None:
        """Connect every supply."""
        self.powered = True
        for rail in self.rails.values():
            if rail.parent is None:
                rail.switch(True, time)
        self._power_escs(time)
        for name, load in self.spec.load.items():
            if load.spike_ma:
                self.rails[load.rail].burst(f"spike {name}", load.spike_ma * 1e-3, load.spike_us * 1e-6, time)
        for tell in self.on_power:
            tell(time)

    # -- converter --------------------------------------------------------------------------------------------------

    def supply_volts(self, time: float) -> float:
        """The processor's supply as its converter's reference sees it, ripple included."""
        return self._noisy(self.supply, time)

    @property
    def bandgap_volts(self) -> float:
        """The chip's own reference, V."""
        return self.spec.bandgap_v

    def analog(self, function: str, time: float) -> float:
        """Volts at a converter input, noise included: joy_x, joy_y, sense_rail, sense_vcc1, sense_vcc2."""
        volts = self._analog(function, time)
        return max(0.0, volts + self._noise.gauss(0.0, self.spec.adc_noise_mv * 1e-3))

    def _analog(self, function: str, time: float) -> float:
        if function in self.analog_wires:
            return self.analog_wires[function](time)
        if function in ("joy_x", "joy_y"):
            return self.joystick.share(function[-1], time) * self.supply.volts(time)
        if function == "sense_rail" and self.spec.radio.rail in self.rails:
            return self._noisy(self.rails[self.spec.radio.rail], time)
        return 0.0

    def _noisy(self, rail: Rail, time: float) -> float:
        return max(0.0, rail.volts(time) + self._noise.gauss(0.0, rail.spec.noise_mv * 1e-3))

    def stick_out_volts(self, time: float) -> float:
        """The gauge's filtered output."""
        return self._stick.level(time) * self.supply.volts(time)


class Smoothed:
    """A digital output through a resistor and a capacitor; level 0 to 1."""

    SECONDS = 5e-3

    def __init__(self, source: Signal) -> None:
        self._source = source
        self._from = (0.0, source.level)
        self._toward = source.level
        source.connect(self._changed)

    def _changed(self, level: float, time: float) -> None:
        self._from = (time, self.level(time))
        self._toward = level

    def level(self, time: float) -> float:
        """Volts at a time."""
        since, here = self._from
        return self._toward + (here - self._toward) * math.exp(-max(0.0, time - since) / self.SECONDS)


def _fault(spec: LineSpec) -> LineFault:
    return LineFault(
        series_ohms=spec.series_ohms,
        to_ground_ohms=spec.to_ground_ohms,
        to_supply_ohms=spec.to_supply_ohms,
        to_line=spec.to_line,
        bridged_to=spec.bridged_to,
        float_level=None if spec.float_level < 0 else spec.float_level,
    )


def _pull_of(switch: Switch, who: str) -> Callable[[float, float], None]:
    def pull(level: float, time: float) -> None:
        switch.drive(who, None if level == LET_GO else level, time)

    return pull
