"""What this pair's firmware promises, measured from outside by the gauge. Motors unplugged on real boards."""

import pytest

pytestmark = pytest.mark.bench_needs("gauge")


def test_the_led_answers_within_25_ms(gauge):
    """In 99 % of presses and releases."""
    gauge.switch_to_led(presses=250, within_ms=25.0, limits={"within": {"min": 99}}).check()


def test_the_pair_is_alive(gauge):
    """Servo and LED follow stick and button, pulses come at 50 a second."""
    gauge.wiring(limits={"pulses": {"min": 49, "max": 51}}).check()


def test_the_servo_follows_the_stick(gauge):
    """1000 to 2000 us, and steady at rest."""
    limits = {
        "low": {"min": 995, "max": 1010},
        "high": {"min": 1990, "max": 2005},
        "width_jitter": {"max": 12},
        "step": {"max": 60},
    }
    gauge.joystick_to_pulse(points=8, steps=10, limits=limits).check()


def test_the_motor_stays_at_idle(gauge):
    run = gauge.joystick_to_pulse(points=5, steps=4, frames=80, limits={"motor_idle": {"min": 990, "max": 1010}})
    assert run.reading("motor_idle").verdict == "pass", run.problems()


@pytest.mark.bench_needs("person")
def test_the_craft_lets_go_when_the_hand_unit_is_gone(gauge):
    """Within 400 ms of losing it."""
    gauge.cut_off(cuts=2, starts=2, limits={"cut_off": {"max": 400}}).check()
