"""The board itself: who it is, clock, settings, vitals, forensics, pins, LED."""

from __future__ import annotations

from collections.abc import Generator

from benchctl.sim.probe import Done, Fields, Handler, Probe, Refusal, Remains
from benchctl.sim.settings import CHANNELS
from benchctl.wire.catalogue import NO_PIN, PROTOCOL, SETTING_BY_NAME, Error, Function, PulseKind, ResetCause
from benchctl.wire.messages import Msg

#: bytes between data and stack at the deepest so far, as the image reports them
STACK_FREE = 900
SIGNATURE = bytes((0x1E, 0x95, 0x0F))  # ATmega328P data sheet, table 28-9
#: how often the supply is looked at by the way, seconds
VCC_EVERY = 20e-3
INPUT, PULL_UP, LOW, HIGH = range(4)
#: pins that another module drives for good
_PULSES = range(Function.PULSE1, Function.PULSE6 + 1)
ALWAYS_ON, OFF = 255, 0


class Base:
    """Requests 0x01 to 0x0D. `loads` is the bit set of loads switched on, kept by the supply group."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.loads = 0
        self.lowest_mv = 0xFFFF
        self.radio_losses = 0
        self.radio_ok = 0
        self.guard_state = lambda: 0
        self._led_job = 0
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
        self.on_setting = [self._led_setting]
        probe.remains = self.remains
        probe.run(self._watch_vcc())

    # ------------------------------------------------------------------ start

    def boot(self) -> None:
        """The first event of a life."""
        probe = self.probe
        self.led_off()
        start, before = probe.reason, probe.before
        probe.event("boot", {
            "protocol": PROTOCOL, "firmware": probe.chip.image[0], "role": probe.settings.number("role"),
            "label": _text(probe.settings.label), "cause": start.cause, "mcusr": start.mcusr,
            "cause_from": start.cause_from, "boot_count": probe.chip.eeprom.boots,
            "ram_survived": int(before.survived), "uptime_ms": before.uptime_ms, "loads": before.loads,
            "lowest_vcc_mv": before.lowest_vcc_mv,
        })  # fmt: skip

    def remains(self) -> Remains:
        return Remains(
            int(self.probe.uptime * 1e3) & 0xFFFFFFFF, self.loads, self._lowest(), self.radio_losses,
            self.guard_state(), True,
        )  # fmt: skip

    def forensics(self) -> Fields:
        start, before = self.probe.reason, self.probe.before
        return {
            "boot_count": self.probe.chip.eeprom.boots, "cause": start.cause, "mcusr": start.mcusr,
            "cause_from": start.cause_from, "ram_survived": int(before.survived), "uptime_ms": before.uptime_ms,
            "loads": before.loads, "lowest_vcc_mv": before.lowest_vcc_mv, "radio_losses": before.radio_losses,
            "guard": before.guard,
        }  # fmt: skip

    # ------------------------------------------------------------------ requests

    def identify(self, message: Msg) -> Done:
        probe = self.probe
        firmware, crc = probe.chip.image
        start = probe.reason
        return {
            "protocol": PROTOCOL, "firmware": firmware,
            "image_crc": crc if probe.uptime >= probe.timing.image_crc else 0,
            "role": probe.settings.number("role"), "label": _text(probe.settings.label),
            "clock_hz": probe.chip.clock_hz, "boot_count": probe.chip.eeprom.boots, "cause": start.cause,
            "mcusr": start.mcusr, "cause_from": start.cause_from, "stack_free": STACK_FREE,
            "settings_ok": int(probe.settings_ok), "signature": SIGNATURE,
        }  # fmt: skip

    def clock(self, message: Msg) -> Done:
        return {"received": self.probe.stamp(self.probe.received), "sent": 0}

    def setting_read(self, message: Msg) -> Done:
        raw = self.probe.settings.values.get(message.key)
        return Refusal(Error.VALUE, message.key) if raw is None else ({"key": message.key}, raw)

    def setting_write(self, message: Msg) -> Done:
        wrong = self.probe.settings.write(message.key, message.data)
        if wrong is not None:
            return Refusal(wrong, message.key)
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

    def vitals(self, message: Msg) -> Generator[float, None, Done]:
        probe = self.probe
        yield probe.timing.bandgap_settle + 2 * probe.timing.adc_clocks * 128 / probe.chip.clock_hz
        self._measure()
        counts = probe.counts
        late, counts.late_us = counts.late_us, 0
        return {
            "vcc_mv": self._last_mv, "lowest_vcc_mv": self._lowest(), "stack_free": STACK_FREE,
            "frames_bad": counts.frames_bad, "overruns": counts.overruns, "events_dropped": counts.events_dropped,
            "radio_ok": self.radio_ok, "radio_losses": self.radio_losses, "guard": self.guard_state(),
            "late_us": late,
        }  # fmt: skip

    # ------------------------------------------------------------------ supply, in passing

    def _lowest(self) -> int:
        return 0 if self.lowest_mv == 0xFFFF else self.lowest_mv

    def _watch_vcc(self) -> Generator[float, None, None]:
        yield 1e-3
        while True:
            self._measure()
            yield VCC_EVERY

    def _measure(self) -> None:
        probe = self.probe
        now, length = probe.agenda.now, probe.timing.adc_clocks * 128 / probe.chip.clock_hz
        reading = max(1, min(1023, int(probe.hardware.bandgap_share(now - length, now) * 1024)))
        self._last_mv = min(0xFFFF, probe.settings.number("bandgap_mv") * 1024 // reading)
        self.lowest_mv = min(self.lowest_mv, self._last_mv)

    # ------------------------------------------------------------------ pins

    def pin(self, message: Msg) -> Done:
        function, mode = message.function, message.mode
        if function > max(Function) or mode > HIGH:
            return Refusal(Error.VALUE, function)
        code = self.probe.settings.pin(function)
        if code == NO_PIN:
            return Refusal(Error.PIN, function)
        if self._drives_pulses(code):
            return Refusal(Error.GUARDED, function)
        if mode >= LOW and code >> 4 == 4:
            return Refusal(Error.PIN, function)  # ADC6 and ADC7 are inputs only
        hardware = self.probe.hardware
        if mode >= LOW:
            hardware.drive(code, mode - LOW)
        else:
            hardware.release(code, mode == PULL_UP)
        return {"level": hardware.level(code)}

    def _drives_pulses(self, code: int) -> bool:
        """A pin of a pulse output, under whatever name it is asked for."""
        settings = self.probe.settings
        return any(
            settings.pin(f) == code and settings.kind(n + 1) is not PulseKind.NONE
            for n, f in zip(range(CHANNELS), _PULSES, strict=True)
        )

    # ------------------------------------------------------------------ LED

    def led(self, message: Msg) -> Done:
        if self.probe.settings.pin(Function.LED) == NO_PIN:
            return Refusal(Error.PIN, Function.LED)
        self._led_job += 1
        if message.blinks in (OFF, ALWAYS_ON):
            self.set_led(message.blinks == ALWAYS_ON)
        else:
            self.probe.run(self._blink(self._led_job, message.blinks, message.on_ms * 1e-3, message.off_ms * 1e-3))
        return {}

    def _blink(self, job: int, blinks: int, on: float, off: float) -> Generator[float, None, None]:
        for _ in range(blinks):
            for lit, seconds in ((True, on), (False, off)):
                if job != self._led_job:
                    return
                self.set_led(lit)
                yield seconds
        if job == self._led_job:
            self.probe.done("led")

    def set_led(self, lit: bool) -> None:
        """Drive the LED's pin, where there is one."""
        pin = self.probe.settings.pin(Function.LED)
        if pin != NO_PIN:
            self.probe.hardware.drive(pin, int(lit) ^ self.probe.settings.number("led_active_low"))

    def led_off(self) -> None:
        self._led_job += 1
        self.set_led(False)

    def _led_setting(self, key: int) -> None:
        if key in (SETTING_BY_NAME["led_active_low"].key, -1):
            self.led_off()


def _text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("utf-8", "replace")


