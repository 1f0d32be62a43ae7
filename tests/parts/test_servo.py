"""The servo: angle from pulse width, speed, dead band, current."""

from __future__ import annotations

import random
import statistics
from dataclasses import replace

import pytest

from benchctl.benchfile import RailSpec, ServoSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.rail import Rail
from benchctl.parts.servo import Servo

SPEC = ServoSpec(deg_per_ms=100.0, slew_deg_per_s=500.0, jitter_deg=0.0)


def made(spec: ServoSpec, ripple_mv: float = 0.0) -> tuple[Servo, Rail, Agenda]:
    agenda = Agenda()
    rail = Rail("servo", RailSpec(series_ohms=0.1, noise_mv=ripple_mv), agenda)
    return Servo("servo", spec, rail, agenda, random.Random(1)), rail, agenda


def pulse(servo: Servo, agenda: Agenda, width_us: float, at: float) -> None:
    agenda.run_to(at)
    servo.signal(1.0, at)
    agenda.run_to(at + width_us * 1e-6)
    servo.signal(0.0, at + width_us * 1e-6)


@pytest.mark.parametrize(("width", "angle"), [(1000, -50.0), (1500, 0.0), (2000, 50.0), (3000, 70.0), (400, -70.0)])
def test_angle_follows_the_pulse_within_its_stops(width: float, angle: float) -> None:
    """100 °/ms around 1500 µs, to the stops at 800 and 2200 µs."""
    servo, _, agenda = made(SPEC)
    pulse(servo, agenda, width, 0.1)

    assert servo.angle(1.0) == pytest.approx(angle)


def test_gain_error_shows_in_the_angle() -> None:
    """A gain of 1.2 turns 20 % further."""
    servo, _, agenda = made(replace(SPEC, gain=1.2))
    pulse(servo, agenda, 2000, 0.1)

    assert servo.seen_angle(1.0) == pytest.approx(60.0)


def test_speed_is_limited() -> None:
    """50° at 500 °/s take 0.1 s."""
    servo, _, agenda = made(SPEC)
    pulse(servo, agenda, 2000, 0.1)

    assert servo.angle(0.102 + 0.05) == pytest.approx(25.0)
    assert servo.angle(0.102 + 0.11) == pytest.approx(50.0)


def test_small_changes_are_ignored() -> None:
    """Within the dead band nothing moves."""
    servo, _, agenda = made(replace(SPEC, deadband_us=5.0))
    pulse(servo, agenda, 1600, 0.1)
    pulse(servo, agenda, 1604, 0.5)

    assert servo.angle(1.0) == pytest.approx(10.0)


def test_current_while_starting_moving_and_resting() -> None:
    """Stall current at the start, then moving, then quiet; the rail sags by Ohm's law."""
    servo, rail, agenda = made(SPEC)
    pulse(servo, agenda, 2000, 0.1)
    loads = []
    for at in (0.105, 0.15, 0.3):
        agenda.run_to(at)
        loads.append(rail.load)

    assert loads == pytest.approx([0.650, 0.180, 0.006])
    assert rail.volts(0.3) == pytest.approx(5.0 - 0.12 * 0.0065, abs=1e-3)


def test_empty_header_draws_nothing_and_turns_nothing() -> None:
    """fitted = false."""
    servo, _, agenda = made(replace(SPEC, fitted=False))
    pulse(servo, agenda, 2000, 0.1)

    assert servo.angle(1.0) == 0.0


def test_ripple_of_its_supply_shows_in_the_angle() -> None:
    """0.01 ° for every mV (the model's own figure, no source): 200 mV make 2 °, rms."""
    servo, _, _ = made(SPEC, ripple_mv=200.0)
    angles = [servo.seen_angle(1.0) for _ in range(2000)]

    assert statistics.pstdev(angles) == pytest.approx(2.0, rel=0.1)


def test_without_a_common_ground_no_pulse_arrives() -> None:
    """Its supply's ground is not the board's: the pulse has no return path."""
    servo, _, agenda = made(replace(SPEC, signal_ground=False))
    pulse(servo, agenda, 1900, 0.1)

    assert servo.pulses == 1  # of the board's making
    assert not servo.moves
