"""The board itself: who it is, clock, settings, vitals, forensics, pins, LED."""

from __future__ import annotations

from collections.abc import Callable, Generator

from benchctl.sim.probe import Done, Handlers, Probe, Refusal, SurvivingRam
from benchctl.sim.settings import has_converter, pin_exists
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, PIN_KEYS, PROTOCOL, SETTING_BY_NAME, Error, Function, Load
from benchctl.wire.stored import GUARDED_KEYS

#: bytes of stack that the deepest calls of the firmware use (image)
STACK_USED = 140
SIGNATURE = bytes((0x1E, 0x95, 0x0F))  # ATmega328P data sheet, table 28-9
#: how often the supply is looked at by the way, seconds
VCC_EVERY = 20e-3
#: after the band-gap has been selected
BANDGAP_SETTLE = 2e-3
#: a look at a pin waits so long for a weak pull-up
LOOK = 20e-6
INPUT, PULL_UP, LOW, HIGH = range(4)
#: what a function's pin is at rest, as in `firmware_probe/board.cpp`
_USES = (
    (Function.SWITCH1, PULL_UP), (Function.SWITCH2, PULL_UP), (Function.RADIO_IRQ, PULL_UP),
    *((f, INPUT) for f in (
        Function.CAPTURE, Function.LOOP_BACK, Function.STIMULUS, Function.WATCH1, Function.WATCH2, Function.WATCH3,
        Function.RESET_WATCH1, Function.RESET_WATCH2,
    )),
)  # fmt: skip
_PULSES = range(Function.PULSE1, Function.PULSE6 + 1)
ALWAYS_ON, OFF = 255, 0


class Base:
    """Requests 0x01 to 0x0D. `loads` is the bit set of loads switched on, kept by the supply group."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.loads = 0
        self.lowest_mv = 0xFFFF
        self._last_mv = 0
        self.radio_losses = 0
        self.radio_ok = 0
        self.guard_state: Callable[[], int] = lambda: 0
        #: whether guarded settings may be written now
        self.wiring: Callable[[], bool] = lambda: False
        self._led_job = 0
        self.stack_free = probe.chip.image.stack - STACK_USED
        #: pins that carry pulses; nothing else writes them
        self.reserved: set[int] = set()
        self.handlers: Handlers = {
            msg.Identify: self.identify,
            msg.Clock: self.clock,
            msg.Restart: lambda m: msg.RestartAnswer(),
            msg.SettingRead: self.setting_read,
            msg.SettingWrite: self.setting_write,
            msg.SettingsSave: self.settings_save,
            msg.SettingsDefault: self.settings_default,
            msg.Echo: lambda m: msg.EchoAnswer(data=m.data),
            msg.Vitals: self.vitals,
            msg.Forensics: lambda m: self.forensics(),
            msg.Pin: self.pin,
            msg.Look: self.look,
            msg.Led: self.led,
        }
        #: told the key of every setting that was changed, -1 for all
        self.on_setting: list[Callable[[int], object]] = [self._rewire]
        probe.surviving_ram = self.surviving_ram
        probe.run(self._watch_vcc())

    # ------------------------------------------------------------------ start

    def boot(self) -> None:
        """The first event of a life."""
        self._wire()
        self.probe.out.begin()
        self.tell_start()

    def tell_start(self) -> None:
        """Send the boot message."""
        probe = self.probe
        start, before = probe.reason, probe.before
        probe.event(
            msg.Boot(
                protocol=PROTOCOL,
                firmware=probe.chip.image.firmware,
                role=probe.settings.number("role"),
                label=probe.settings.label,
                cause=start.cause,
                mcusr=start.mcusr,
                cause_from=start.cause_from,
                boot_count=probe.boots,
                ram_survived=int(before.survived),
                uptime_ms=before.uptime_ms,
                loads=before.loads,
                lowest_vcc_mv=before.lowest_vcc_mv,
            )
        )

    def surviving_ram(self) -> SurvivingRam:
        """What this life leaves in RAM."""
        return SurvivingRam(
            self.probe.boots, int(self.probe.uptime * 1e3) & 0xFFFFFFFF, self.loads, self.lowest_mv,
            self.radio_losses, self.guard_state(), True,
        )  # fmt: skip

    def forensics(self) -> msg.ForensicsAnswer:
        start, before = self.probe.reason, self.probe.before
        return msg.ForensicsAnswer(
            boot_count=self.probe.boots,
            cause=start.cause,
            mcusr=start.mcusr,
            cause_from=start.cause_from,
            ram_survived=int(before.survived),
            uptime_ms=before.uptime_ms,
            loads=before.loads,
            lowest_vcc_mv=before.lowest_vcc_mv,
            radio_losses=before.radio_losses,
            guard=before.guard,
        )

    # ------------------------------------------------------------------ requests

    def identify(self, message: msg.Identify) -> Done:
        probe = self.probe
        image = probe.chip.image
        start = probe.reason
        return msg.IdentifyAnswer(
            protocol=PROTOCOL,
            firmware=image.firmware,
            image_crc=image.crc if probe.uptime >= probe.timing.image_crc else 0,
            role=probe.settings.number("role"),
            label=probe.settings.label,
            clock_hz=probe.chip.clock_hz,
            boot_count=probe.boots,
            cause=start.cause,
            mcusr=start.mcusr,
            cause_from=start.cause_from,
            stack_free=self.stack_free,
            settings_ok=int(probe.settings_ok),
            signature=SIGNATURE,
            clock_ok=1,
            image=image.kind == "gauge",
            fuses=probe.chip.fuses,
        )

    def clock(self, message: msg.Clock) -> Done:
        return msg.ClockAnswer(received=self.probe.stamp(self.probe.received), sent=0)

    def setting_read(self, message: msg.SettingRead) -> Done:
        raw = self.probe.settings.values.get(message.key)
        return Refusal(Error.VALUE) if raw is None else msg.SettingReadAnswer(key=message.key, data=raw)

    def setting_write(self, message: msg.SettingWrite) -> Done:
        if message.key in GUARDED_KEYS and not self.wiring():
            return Refusal(Error.GUARDED)
        wrong = self.probe.settings.write(message.key, message.data)
        if wrong is not None:
            return Refusal(wrong)
        self._changed(message.key)
        return msg.SettingWriteAnswer()

    def settings_save(self, message: msg.SettingsSave) -> Generator[float, None, Done]:
        written = self.probe.chip.eeprom.save(self.probe.settings)
        self.probe.settings_ok = True
        yield written * self.probe.timing.eeprom_byte
        return msg.SettingsSaveAnswer(written=written)

    def settings_default(self, message: msg.SettingsDefault) -> Done:
        if not self.wiring():
            return Refusal(Error.GUARDED)
        self.probe.settings.reset()
        self._changed(-1)
        return msg.SettingsDefaultAnswer()

    def _changed(self, key: int) -> None:
        for told in self.on_setting:
            told(key)

    def vitals(self, message: msg.Vitals) -> Done:
        counts = self.probe.counts
        return msg.VitalsAnswer(
            vcc_mv=self._last_mv,
            lowest_vcc_mv=self.lowest_mv,
            stack_free=self.stack_free,
            frames_bad=counts.frames_bad,
            overruns=counts.overruns,
            events_dropped=self.probe.out.dropped,
            radio_ok=self.radio_ok,
            radio_losses=self.radio_losses,
            guard=self.guard_state(),
            late_us=counts.late_us,
        )

    # ------------------------------------------------------------------ supply, in passing

    def _watch_vcc(self) -> Generator[float, None, None]:
        probe = self.probe
        length = probe.timing.adc_clocks * 128 / probe.chip.clock_hz
        yield BANDGAP_SETTLE
        while True:
            yield length
            if "adc" not in probe.busy.taken:
                now = probe.agenda.now
                self._last_mv = self.millivolts(int(probe.hardware.bandgap_share(now - length, now) * 1024))
                self.lowest_mv = min(self.lowest_mv, self._last_mv)
            yield VCC_EVERY

    def millivolts(self, reading: int) -> int:
        """The supply by a band-gap reading."""
        reading = max(1, min(1023, reading))
        return min(0xFFFF, (self.probe.settings.number("bandgap_mv") * 1024 + reading // 2) // reading)

    # ------------------------------------------------------------------ pins

    def _wire(self) -> None:
        """Pins to what their functions want at rest."""
        settings, hardware = self.probe.settings, self.probe.hardware
        for function, use in _USES:
            pin = settings.pin(function)
            if pin != NO_PIN and pin not in self.reserved:
                hardware.release(pin, use == PULL_UP and not settings.to_supply(function))
        self.set_led(False)
        for function in (Function.RADIO_CSN, Function.RADIO_CE):
            pin = settings.pin(function)
            if pin != NO_PIN and pin not in self.reserved:
                hardware.drive(pin, int(function == Function.RADIO_CSN))

    def _rewire(self, key: int) -> None:
        if key >= PIN_KEYS or key in (-1, *(SETTING_BY_NAME[name].key for name in ("role", "switch_to_supply"))):
            self._wire()

    def pin(self, message: msg.Pin) -> Done:
        function, mode = message.function, message.mode
        if function > max(Function) or mode > HIGH:
            return Refusal(Error.VALUE)
        code = self.probe.settings.pin(function)
        if code == NO_PIN or code >> 4 == 4 or not pin_exists(code) or function in _PULSES:
            return Refusal(Error.PIN)
        hardware = self.probe.hardware
        if code in self.reserved:  # a pulse output under another name: looked at, never written
            return msg.PinAnswer(level=hardware.level(code))
        if mode >= LOW:
            hardware.drive(code, mode - LOW)
        else:
            hardware.release(code, mode == PULL_UP)
        return msg.PinAnswer(level=hardware.level(code))

    def look(self, message: msg.Look) -> Generator[float, None, Done]:
        """A pin by its code, whatever it is for."""
        code, mode, high = message.pin, message.mode, message.mode & 1
        converts = has_converter(code)
        if mode > HIGH:
            return Refusal(Error.VALUE)
        if not converts and (code == NO_PIN or not pin_exists(code)):
            return Refusal(Error.PIN)
        yield LOOK
        if mode < LOW:
            level = self._settled(code, bool(high))
        else:
            if self._settled(code, False) or not self._settled(code, True):
                return Refusal(Error.GUARDED)
            self.probe.hardware.drive(code, high)
            level = self.probe.hardware.level(code)
            self.probe.hardware.release(code)
        if not converts:
            return msg.LookAnswer(level=level, reading=0xFFFF)
        yield 2 * self.probe.timing.adc_clocks * 128 / self.probe.chip.clock_hz
        share = self.probe.hardware.share(code, self.probe.agenda.now)
        return msg.LookAnswer(level=level, reading=min(1023, int(share * 1024)))

    def _settled(self, code: int, pull_up: bool) -> int:
        """What a pin reads as an input; one of a pulse output is left as it is, and one without a buffer reads 0."""
        if code >> 4 == 4:
            return 0
        if code not in self.reserved:
            self.probe.hardware.release(code, pull_up)
        return self.probe.hardware.level(code)

    # ------------------------------------------------------------------ LED

    def led(self, message: msg.Led) -> Done:
        if self.probe.settings.pin(Function.LED) == NO_PIN:
            return Refusal(Error.PIN)
        m = message
        if m.blinks not in (OFF, ALWAYS_ON) and not (m.on_ms and m.off_ms):
            return Refusal(Error.VALUE)
        self._led_job += 1
        if m.blinks in (OFF, ALWAYS_ON):
            self.set_led(m.blinks == ALWAYS_ON)
        else:
            self.probe.run(self._blink(self._led_job, m.blinks, m.on_ms * 1e-3, m.off_ms * 1e-3))
        return msg.LedAnswer()

    def _blink(self, job: int, blinks: int, on: float, off: float) -> Generator[float, None, None]:
        for _ in range(blinks):
            for lit, seconds in ((True, on), (False, off)):
                if job != self._led_job:
                    return
                self.set_led(lit)
                yield seconds
        if job == self._led_job:
            self.probe.done(msg.Led)

    def set_led(self, lit: bool) -> None:
        """Drive the LED's pin, where there is one."""
        pin = self.probe.settings.pin(Function.LED)
        if pin != NO_PIN and pin not in self.reserved:
            self.probe.hardware.drive(pin, int(lit) ^ self.probe.settings.number("led_active_low"))
        self.note_load(Load.LED, lit)

    def note_load(self, load: int, on: bool) -> None:
        """For the forensics."""
        self.loads = self.loads | 1 << load if on else self.loads & ~(1 << load)
