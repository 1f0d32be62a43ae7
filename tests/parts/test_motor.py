"""Motor controller and motor: arming, loss of signal, current, and the log that safety tests read."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from benchctl.benchfile import EscSpec, MotorSpec, RailSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.motor import Esc, Motor
from benchctl.parts.rail import Rail

ESC = EscSpec(arming_s=1.0, beeps=3)


class Rig:
    """A controller with motor and battery, fed with pulses every 20 ms."""

    def __init__(self, esc: EscSpec = ESC, motor: MotorSpec | None = None) -> None:
        self.agenda = Agenda()
        self.rail = Rail("battery", RailSpec(source_volts=7.4, series_ohms=0.05), self.agenda)
        self.motor = Motor("motor", motor or MotorSpec(), self.rail, self.agenda)
        self.esc = Esc("esc", esc, self.motor, self.agenda, random.Random(1))

    def pulses(self, width_us: float, seconds: float) -> None:
        for _ in range(round(seconds / 0.02)):
            start = self.agenda.now
            self.esc.signal(1.0, start)
            self.agenda.run_to(start + width_us * 1e-6)
            self.esc.signal(0.0, start + width_us * 1e-6)
            self.agenda.run_to(start + 0.02)


def test_throttle_without_idle_first_does_nothing() -> None:
    """It wants to see idle for a while before it turns (common practice, no source)."""
    rig = Rig()
    rig.pulses(1500, 5.0)

    assert not rig.esc.armed
    assert not rig.motor.spinning


def test_idle_arms_after_its_time_and_beeps() -> None:
    """One second of idle, then three beeps, then throttle turns the motor."""
    rig = Rig()
    rig.pulses(1000, 0.9)
    early = rig.esc.armed
    rig.pulses(1000, 0.3)

    assert (early, rig.esc.armed) == (False, True)
    rig.pulses(1000, 1.0)
    assert rig.esc.beeps_since(0.0, rig.agenda.now) == 3
    rig.pulses(1500, 0.5)
    assert rig.motor.spinning


def test_interrupted_idle_starts_the_wait_anew() -> None:
    """A pulse above idle in between counts the time from the start again."""
    rig = Rig()
    rig.pulses(1000, 0.8)
    rig.pulses(1300, 0.02)
    rig.pulses(1000, 0.8)

    assert not rig.esc.armed


def test_lost_signal_stops_and_disarms() -> None:
    """Half a second without pulses stops the motor; throttle alone does not bring it back."""
    rig = Rig()
    rig.pulses(1000, 1.5)
    rig.pulses(1400, 1.0)
    rig.agenda.run_to(rig.agenda.now + 2.0)
    stopped = not rig.motor.spinning
    rig.pulses(1400, 1.0)

    assert stopped
    assert not rig.motor.spinning


def test_power_cut_needs_new_arming() -> None:
    """Pulling the battery disarms."""
    rig = Rig()
    rig.pulses(1000, 1.5)
    rig.esc.power(False, rig.agenda.now)
    rig.esc.power(True, rig.agenda.now)

    assert not rig.esc.armed


def test_every_pulse_above_idle_is_logged() -> None:
    """The log has width and time of each, armed or not."""
    rig = Rig()
    rig.pulses(1000, 0.2)
    rig.pulses(1200, 0.1)

    assert [round(width) for _, width in rig.esc.above_idle] == [1200] * 5


def test_untaught_end_point_turns_at_idle() -> None:
    """With a taught minimum of 950 µs an idle pulse of 1000 µs is throttle: it never arms."""
    rig = Rig(replace(ESC, min_us=950.0))
    rig.pulses(1000, 3.0)

    assert not rig.esc.armed


def test_missing_ground_loses_pulses() -> None:
    """Without a ground wire at the header only some pulses arrive."""
    rig = Rig(replace(ESC, signal_ground=False, needs_arming=False, lost_s=0.05))
    rig.pulses(1500, 2.0)
    drops = rig.motor.throttle

    assert drops in (0.0, pytest.approx(0.5, abs=0.01))
    assert rig.esc.pulses == 100


def test_current_goes_with_the_cube_of_the_speed() -> None:
    """At half speed: free current plus an eighth of the rest; the battery sags by Ohm's law."""
    spec = MotorSpec(full_ma=8300.0, free_ma=300.0, start_ma=0.0)
    rig = Rig(replace(ESC, min_us=1000.0, max_us=2000.0, needs_arming=False), spec)
    rig.pulses(1500, 2.0)

    assert rig.rail.load == pytest.approx(0.3 + 8.0 / 8, rel=0.02)
    assert rig.rail.volts(rig.agenda.now) == pytest.approx(7.4 - 1.3 * 0.07, abs=0.01)


def test_inertia() -> None:
    """Speed follows throttle with one time constant: 63 % after it."""
    rig = Rig(motor=MotorSpec(time_constant_s=0.2))
    rig.motor.set_throttle(1.0, 0.0)

    assert rig.motor.speed(0.2) == pytest.approx(1.0 - math.exp(-1.0))


def test_vibration_has_its_strength_and_frequency() -> None:
    """rms at full speed is what the bench file says; the frequency is the shaft's."""
    rig = Rig(motor=MotorSpec(vibration_g=0.5, full_ma=0.0, free_ma=0.0, start_ma=0.0, kv_rpm_per_v=1000.0))
    rig.motor.set_throttle(1.0, 0.0)
    samples = [rig.motor.vibration(5.0 + n * 1e-4) for n in range(10_000)]

    assert math.sqrt(sum(x * x for x, _, _ in samples) / len(samples)) == pytest.approx(0.5, rel=0.02)
    assert samples[0][2] == pytest.approx(7.4 * 1000.0 / 60.0, rel=0.01)


def test_jitter_about_one_width_starts_a_motor_once() -> None:
    """Pulses that are 12 µs late now and then, as those of a pin without a compare unit are, at a width near the taught
    end point: a controller starts the motor once and drives it until its pulse is back at rest (from memory)."""
    rig = Rig(replace(ESC, min_us=1040.0))
    rig.pulses(1000, 1.5)
    for late_us in (0, 0, 12, 0, 0, 0, 12, 0, 12, 0) * 5:
        rig.pulses(1050 + late_us, 0.02)
    turning = rig.motor.spinning
    rig.pulses(1030, 0.5)

    assert (len(rig.motor.starts), turning, rig.motor.spinning) == (1, True, False)


def test_no_motor_starts_below_the_width_that_starts_it() -> None:
    """Just above the taught end point a standing motor stands still, and draws nothing."""
    rig = Rig(replace(ESC, min_us=1040.0))
    rig.pulses(1000, 1.5)
    rig.pulses(1050, 1.0)

    assert (rig.motor.starts, rig.motor.amps(rig.agenda.now)) == ([], 0.0)


def test_a_controller_with_a_high_idle_arms_on_nothing_shorter() -> None:
    rig = Rig(replace(ESC, arms_from_us=1100, min_us=1150))
    for width in (800, 1000):
        rig.pulses(width, 4.0)
        assert not rig.esc.armed
    rig.pulses(1120, 2.0)

    assert rig.esc.armed
