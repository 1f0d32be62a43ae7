"""The converter, the droop by equivalent time, and the loads."""

from __future__ import annotations

from collections.abc import Generator

from benchctl.sim.guard import TICKS_A_MS
from benchctl.sim.loads import Loads
from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.probe_radio import START_UP
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, AdcSource, Error, Function, Load

_FUNCTIONS = {
    AdcSource.SENSE_RAIL: Function.SENSE_RAIL, AdcSource.JOY_X: Function.JOY_X, AdcSource.JOY_Y: Function.JOY_Y,
    AdcSource.SENSE_VCC1: Function.SENSE_VCC1, AdcSource.SENSE_VCC2: Function.SENSE_VCC2,
}  # fmt: skip
PRESCALERS = range(4, 8)
COUNT_MOST = 1024
#: sums of a droop fit 16 bits
REPEATS_MOST = 64
#: the latest point after the load
SPAN_MOST_US = 50_000
#: after a change of the multiplexer
SETTLE = 1e-3
FULL = 1023


class Supply:
    """Requests 0x20 to 0x22."""

    def __init__(self, probe: Probe, loads: Loads) -> None:
        self.probe = probe
        self.loads = loads
        self._rows = RowKind(msg.DroopRows)
        self.handlers: Handlers = {msg.Adc: self.adc, msg.Droop: self.droop, msg.Load: self.load}

    # ------------------------------------------------------------------ one conversion

    def _refusal(self, source: int, prescaler: int) -> Refusal | None:
        if source > max(AdcSource) or prescaler not in PRESCALERS:
            return Refusal(Error.VALUE)
        if source != AdcSource.BAND_GAP:
            pin = self.probe.settings.pin(_FUNCTIONS[AdcSource(source)])
            if pin == NO_PIN or pin >> 4 not in (2, 4):
                return Refusal(Error.PIN)
        return None

    def _clock(self, prescaler: int) -> float:
        """One ADC clock, seconds."""
        return (1 << prescaler) / self.probe.chip.clock_hz

    def convert(self, source: int, prescaler: int) -> Generator[float, None, int]:
        """A conversion that begins now.

        A pin is held 1.5 ADC clocks after the start; the band-gap is compared with a supply that moves meanwhile.
        """
        probe, clock = self.probe, self._clock(prescaler)
        start, rest = probe.agenda.now, (probe.timing.adc_clocks - probe.timing.adc_hold_clocks) * clock
        yield probe.timing.adc_hold_clocks * clock
        if source == AdcSource.BAND_GAP:
            yield rest
            share = probe.hardware.bandgap_share(start, probe.agenda.now)
        else:
            pin = probe.settings.pin(_FUNCTIONS[AdcSource(source)])
            share = probe.hardware.share(pin, probe.agenda.now)
            yield rest
        return min(FULL, int(share * 1024))

    # ------------------------------------------------------------------ many

    def adc(self, message: msg.Adc) -> Generator[float, None, Done]:
        m = message
        refused = self._refusal(m.source, m.prescaler)
        if refused is not None:
            return refused
        if not 1 <= m.count <= COUNT_MOST:
            return Refusal(Error.VALUE)
        self.probe.busy.take("adc", "adc")
        readings = yield from self._convert_many(m.source, m.prescaler, m.count, self.probe.seconds(2 * m.gap_us))
        self.probe.busy.free("adc")
        square = sum((r - readings[0]) ** 2 for r in readings)
        return msg.AdcAnswer(
            count=m.count, sum=sum(readings), square=square & 0xFFFFFFFF, low=min(readings), high=max(readings)
        )

    def _convert_many(self, source: int, prescaler: int, count: int, gap: float) -> Generator[float, None, list[int]]:
        """Every `gap` from start to start, or one after the other; the first after the multiplexer moved is dropped."""
        yield SETTLE
        readings: list[int] = []
        for _ in range(count + 1):
            start = self.probe.agenda.now
            readings.append((yield from self.convert(source, prescaler)))
            yield max(self.probe.timing.loop, start + gap - self.probe.agenda.now)
        return readings[1:]

    # ------------------------------------------------------------------ droop

    def droop(self, message: msg.Droop) -> Generator[float, None, Done]:
        m = message
        refused = self._refusal(m.source, m.prescaler)
        if refused is not None:
            return refused
        spans = m.first_us + m.step_us * (m.points - 1)
        if m.load > max(Load) or not m.points or not 1 <= m.repeats <= REPEATS_MOST or spans > SPAN_MOST_US:
            return Refusal(Error.VALUE)
        refused = self.loads.droop_refusal(m.load)
        if refused is not None:
            return refused
        yield 0.0
        self.probe.busy.take("adc", "droop")
        if m.load == Load.TRANSMIT:
            self.probe.busy.take("radio", "droop")
        self.probe.run(self._points(m))
        return msg.DroopAnswer()

    def _points(self, m: msg.Droop) -> Generator[float, None, None]:
        settle = self.probe.seconds(TICKS_A_MS * (m.settle_ms + 1))
        yield settle + START_UP
        baseline = 0
        for _ in range(m.repeats):
            baseline += yield from self.convert(m.source, m.prescaler)
            yield SETTLE
        for point in range(m.points):
            total = 0
            delay = self.probe.seconds(2 * (m.first_us + point * m.step_us))
            for repeat in range(m.repeats):
                yield settle
                self.loads.begin(m.load, repeat)
                yield delay + self._late()
                total += yield from self.convert(m.source, m.prescaler)
                self.loads.end(m.load)
            self.probe.out.row(self._rows, self._rows.head(point, baseline), self._rows.pack(total), follows=b"")
        self.probe.out.flush()
        self.probe.busy.free("adc")
        if m.load == Load.TRANSMIT:
            self.loads.radio.release()
            self.probe.busy.free("radio")
        self.probe.done(msg.Droop, detail=m.points)

    def _late(self) -> float:
        """From the tick that a conversion was due at to its start."""
        least, most = self.probe.timing.convert_least, self.probe.timing.convert_most
        return least + (most - least) * self.probe.chance.random()

    # ------------------------------------------------------------------ steady loads

    def load(self, message: msg.Load) -> Done:
        m = message
        if m.load > max(Load) or m.on > 1 or m.strength > (3 if m.load == Load.TRANSMIT else 100):
            return Refusal(Error.VALUE)
        refused = self.loads.refusal(m.load, bool(m.on))
        return refused or self.loads.switch(m.load, bool(m.on), m.strength) or msg.LoadAnswer()
