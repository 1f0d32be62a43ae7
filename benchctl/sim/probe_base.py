"""The board itself: who it is, clock, settings, vitals, forensics, pins, LED."""

from __future__ import annotations

from collections.abc import Callable, Generator

from benchctl.sim.probe import Done, Fields, Handler, Probe, Refusal, Remains
from benchctl.sim.settings import pin_exists
from benchctl.wire.catalogue import NO_PIN, PIN_KEYS, PROTOCOL, SETTING_BY_NAME, Error, Function, Load
from benchctl.wire.messages import Msg

#: bytes of stack that the deepest calls of the firmware use (image)
STACK_USED = 140
SIGNATURE = bytes((0x1E, 0x95, 0x0F))  # ATmega328P data sheet, table 28-9
#: how often the supply is looked at by the way, seconds
VCC_EVERY = 20e-3
#: after the band-gap has been selected
BANDGAP_SETTLE = 2e-3
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
        self._led_job = 0
        self.led_busy = False
        self.stack_free = probe.chip.image.stack - STACK_USED
        #: pins that carry pulses; nothing else writes them
        self.reserved: set[int] = set()
        self.handlers: dict[str, Handler] = {
            "identify": self.identify,
            "clock": self.clock,
            "restart": lambda m: {},
            "setting_read": self.setting_read,
            "setting_write": self.setting_write,
            "settings_save": self.settings_save,
            "settings_default": self.settings_default,
            "echo": lambda m: ({}, m.data),
            "vitals": self.vitals,
            "forensics": lambda m: self.forensics(),
            "pin": self.pin,
            "led": self.led,
        }
        #: told the key of every setting that was changed, -1 for all
        self.on_setting: list[Callable[[int], object]] = [self._rewire]
        probe.remains = self.remains
        probe.run(self._watch_vcc())

    # ------------------------------------------------------------------ start

    def boot(self) -> None:
        """The first event of a life."""
        self._wire()
        self.tell_start()

    def tell_start(self) -> None:
        probe = self.probe
        start, before = probe.reason, probe.before
        probe.event(
            "boot", protocol=PROTOCOL, firmware=probe.chip.image.firmware, role=probe.settings.number("role"),
            label=_text(probe.settings.label), cause=start.cause, mcusr=start.mcusr, cause_from=start.cause_from,
            boot_count=probe.boots, ram_survived=int(before.survived), uptime_ms=before.uptime_ms, loads=before.loads,
            lowest_vcc_mv=before.lowest_vcc_mv,
        )  # fmt: skip

    def remains(self) -> Remains:
        return Remains(
            self.probe.boots, int(self.probe.uptime * 1e3) & 0xFFFFFFFF, self.loads, self.lowest_mv,
            self.radio_losses, self.guard_state(), True,
        )  # fmt: skip

    def forensics(self) -> Fields:
        start, before = self.probe.reason, self.probe.before
        return {
            "boot_count": self.probe.boots, "cause": start.cause, "mcusr": start.mcusr,
            "cause_from": start.cause_from, "ram_survived": int(before.survived), "uptime_ms": before.uptime_ms,
            "loads": before.loads, "lowest_vcc_mv": before.lowest_vcc_mv, "radio_losses": before.radio_losses,
            "guard": before.guard,
        }  # fmt: skip

    # ------------------------------------------------------------------ requests

    def identify(self, message: Msg) -> Done:
        probe = self.probe
        image = probe.chip.image
        start = probe.reason
        return {
            "protocol": PROTOCOL, "firmware": image.firmware,
            "image_crc": image.crc if probe.uptime >= probe.timing.image_crc else 0,
            "role": probe.settings.number("role"), "label": _text(probe.settings.label),
            "clock_hz": probe.chip.clock_hz, "boot_count": probe.boots, "cause": start.cause,
            "mcusr": start.mcusr, "cause_from": start.cause_from, "stack_free": self.stack_free,
            "settings_ok": int(probe.settings_ok), "signature": SIGNATURE,
        }  # fmt: skip

    def clock(self, message: Msg) -> Done:
        return {"received": self.probe.stamp(self.probe.received), "sent": 0}

    def setting_read(self, message: Msg) -> Done:
        raw = self.probe.settings.values.get(message.key)
        return Refusal(Error.VALUE) if raw is None else ({"key": message.key}, raw)

    def setting_write(self, message: Msg) -> Done:
        wrong = self.probe.settings.write(message.key, message.data)
        if wrong is not None:
            return Refusal(wrong)
        self._changed(message.key)
        return {}

    def settings_save(self, message: Msg) -> Generator[float, None, Done]:
        written = self.probe.chip.eeprom.save(self.probe.settings)
        self.probe.settings_ok = True
        yield written * self.probe.timing.eeprom_byte
        return {"written": written}

    def settings_default(self, message: Msg) -> Done:
        self.probe.settings.reset()
        self._changed(-1)
        return {}

    def _changed(self, key: int) -> None:
        for told in self.on_setting:
            told(key)

    def vitals(self, message: Msg) -> Done:
        counts = self.probe.counts
        return {
            "vcc_mv": self._last_mv, "lowest_vcc_mv": self.lowest_mv, "stack_free": self.stack_free,
            "frames_bad": counts.frames_bad, "overruns": counts.overruns, "events_dropped": self.probe.out.dropped,
            "radio_ok": self.radio_ok, "radio_losses": self.radio_losses, "guard": self.guard_state(),
            "late_us": counts.late_us,
        }  # fmt: skip

    # ------------------------------------------------------------------ supply, in passing

    def _watch_vcc(self) -> Generator[float, None, None]:
        probe = self.probe
        length = probe.timing.adc_clocks * 128 / probe.chip.clock_hz
        yield BANDGAP_SETTLE
        while True:
            yield length
            if "adc" not in probe.busy.held:
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
                hardware.release(pin, use == PULL_UP)
        self.set_led(False)
        for function in (Function.RADIO_CSN, Function.RADIO_CE):
            pin = settings.pin(function)
            if pin != NO_PIN:
                hardware.drive(pin, int(function == Function.RADIO_CSN))

    def _rewire(self, key: int) -> None:
        if key >= PIN_KEYS or key in (-1, SETTING_BY_NAME["role"].key):
            self._wire()

    def pin(self, message: Msg) -> Done:
        function, mode = message.function, message.mode
        if function > max(Function) or mode > HIGH:
            return Refusal(Error.VALUE)
        code = self.probe.settings.pin(function)
        if code == NO_PIN or code >> 4 == 4 or not pin_exists(code) or function in _PULSES:
            return Refusal(Error.PIN)
        hardware = self.probe.hardware
        if code in self.reserved:  # a pulse output under another name: looked at, never written
            return {"level": hardware.level(code)}
        if mode >= LOW:
            hardware.drive(code, mode - LOW)
        else:
            hardware.release(code, mode == PULL_UP)
        return {"level": hardware.level(code)}

    # ------------------------------------------------------------------ LED

    def led(self, message: Msg) -> Done:
        if self.probe.settings.pin(Function.LED) == NO_PIN:
            return Refusal(Error.PIN)
        m = message
        if m.blinks not in (OFF, ALWAYS_ON) and not (m.on_ms and m.off_ms):
            return Refusal(Error.VALUE)
        self._led_job += 1
        if m.blinks in (OFF, ALWAYS_ON):
            self.led_busy = False
            self.set_led(m.blinks == ALWAYS_ON)
        else:
            self.led_busy = True
            self.probe.run(self._blink(self._led_job, m.blinks, m.on_ms * 1e-3, m.off_ms * 1e-3))
        return {}

    def _blink(self, job: int, blinks: int, on: float, off: float) -> Generator[float, None, None]:
        for _ in range(blinks):
            for lit, seconds in ((True, on), (False, off)):
                if job != self._led_job:
                    return
                self.set_led(lit)
                yield seconds
        if job == self._led_job:
            self.led_busy = False
            self.probe.done("led")

    def set_led(self, lit: bool) -> None:
        """Drive the LED's pin, where there is one."""
        pin = self.probe.settings.pin(Function.LED)
        if pin != NO_PIN and pin not in self.reserved:
            self.probe.hardware.drive(pin, int(lit) ^ self.probe.settings.number("led_active_low"))
        self.note_load(Load.LED, lit)

    def note_load(self, load: int, on: bool) -> None:
        """For the forensics."""
        self.loads = self.loads | 1 << load if on else self.loads & ~(1 << load)


def _text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("utf-8", "replace")
