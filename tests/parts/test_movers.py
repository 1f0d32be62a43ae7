"""What moves and what sends, in the harm log: motors, servos, amplifiers, a controller that feeds back."""

from __future__ import annotations

import random

import pytest
from helpers_bench import mudlark

from benchctl.benchfile import parse
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.parts.agenda import Agenda
from benchctl.parts.world import World
from benchctl.terms import Role

CRAFT = Role.CRAFT
pytestmark = [pytest.mark.harm(*HarmKind), pytest.mark.pulses("made by hand")]


def world(text: str = "") -> World:
    return World(parse(mudlark(f"[board.hand]\n[board.craft]\n{text}").encode()), Agenda(), random.Random(3))


def pulses(w: World, name: str, us: float, count: int) -> None:
    """A train of them, 20 ms apart."""
    signal = w.boards[CRAFT].outputs[name]
    for _ in range(count):
        signal.set(1.0, w.agenda.now)
        w.agenda.run_to(w.agenda.now + us * 1e-6)
        signal.set(0.0, w.agenda.now)
        w.agenda.run_to(w.agenda.now + 0.02 - us * 1e-6)


def armed(w: World) -> None:
    w.boards[CRAFT].plug_motor(True, w.agenda.now)
    pulses(w, "pulse2", 1000, 120)
    assert w.boards[CRAFT].escs["pulse2"].armed
    assert not w.harm


def kinds(w: World) -> set[HarmKind]:
    w.agenda.run_to(w.agenda.now + 1.0)
    return set(w.harm.kinds)


def test_a_pulse_above_idle_without_a_throttle() -> None:
    """Nobody armed the board: the pulse is harm, the motor that follows as well; not while its battery is off."""
    w = world()
    armed(w)
    pulses(w, "pulse2", 1200, 3)
    assert kinds(w) == {HarmKind.PULSE, HarmKind.TURNING}
    w = world()
    w.boards[CRAFT].plug_motor(False, 0.0)
    pulses(w, "pulse2", 1200, 3)
    assert kinds(w) == set()


def test_a_motor_that_goes_on_after_its_throttle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Allowed for a while, and the controller never hears of its end: it turns longer than it holds on by itself."""
    w = world("[board.craft.esc.pulse2]\nlost_s = 0.1\n")
    armed(w)
    allowed, until = w.allowances[CRAFT], w.agenda.now + 0.1
    monkeypatch.setattr(allowed, "live", lambda channel, time: time <= until)
    monkeypatch.setattr(allowed, "live_until", lambda channel: until)
    esc = w.boards[CRAFT].escs["pulse2"]
    monkeypatch.setattr(esc, "_lost", lambda: None)
    pulses(w, "pulse2", 1200, 4)
    assert not w.harm
    assert kinds(w) == {HarmKind.TURNING}


def test_a_motor_that_stops_with_its_pulses_is_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reset takes the pulses away; the controller holds on for its own time, then lets go."""
    w = world()
    armed(w)
    allowed, until = w.allowances[CRAFT], w.agenda.now + 0.1
    monkeypatch.setattr(allowed, "live", lambda channel, time: time <= until)
    monkeypatch.setattr(allowed, "live_until", lambda channel: until)
    pulses(w, "pulse2", 1200, 4)
    assert kinds(w) == set()


def test_reversible_controllers_turn_on_both_sides() -> None:
    """1400 and 1600 µs are as much as 1200 µs to a one-way one; within their dead band nothing is."""
    for us, harm in ((1400, True), (1600, True), (1505, False)):
        w = world("[board.craft.esc.pulse2]\nreversible = true\n")
        w.boards[CRAFT].plug_motor(True, 0.0)
        pulses(w, "pulse2", us, 2)
        assert (HarmKind.PULSE in kinds(w)) is harm


def test_a_servo_past_its_ends_stalls() -> None:
    """300 µs beyond for 0.3 s is past its end, for 0.7 s a stall as well; within its ends nothing."""
    for count, us, found in (
        (15, 2500, {HarmKind.SERVO_ENDS}), (35, 2500, {HarmKind.SERVO_ENDS, HarmKind.STALL}), (35, 2000, set()),
    ):  # fmt: skip
        w = world()
        pulses(w, "pulse1", us, count)
        assert kinds(w) == found


def test_a_pulse_that_a_reset_cuts_is_no_harm() -> None:
    """300 µs of a servo's pulse are left: nobody asked for them."""
    w = world()
    pulses(w, "pulse1", 1500, 2)
    signal = w.boards[CRAFT].outputs["pulse1"]
    signal.set(1.0, w.agenda.now)
    w.agenda.run_to(w.agenda.now + 300e-6)
    signal.set(0.0, w.agenda.now)
    w.allowances[CRAFT].restarted(w.agenda.now)
    assert kinds(w) == set()


@pytest.mark.parametrize(
    ("text", "harm"),
    [
        ('variant = "high-power"\nantenna_loss_db = 60.0', True),
        ('variant = "high-power"', False),
        ("antenna_loss_db = 60.0", False),
    ],
)
def test_an_amplifier_without_an_aerial(text: str, harm: bool) -> None:
    """What it sends comes back to it; a plain one takes no harm."""
    w = world(f"[board.craft.radio]\n{text}\n")
    radio = w.boards[CRAFT].radio
    radio.exchange(bytes((0x20, 0x0E)), 0.0)
    w.agenda.run_to(0.05)
    radio.transact(b"x", w.agenda.now, True)
    assert (HarmKind.NO_AERIAL in kinds(w)) is harm


def test_a_controller_feeds_back_until_its_red_wire_is_lifted() -> None:
    """Joined supplies and a battery beside USB; either taken away, or the wire out, and nothing is."""
    joined = "usb_apart = false\n[board.craft.esc.pulse2]\nplugged = false\n"
    w = world(joined)
    board = w.boards[CRAFT]
    assert not w.harm
    before = board.supply.volts(0.05)
    board.lift_red(True, 0.1)
    board.plug_motor(True, 0.1)
    assert not w.harm
    board.lift_red(False, 0.2)
    board.plug_motor(True, 0.2)
    assert set(w.harm.kinds) == {HarmKind.BACK_FED}
    w.agenda.run_to(0.4)
    assert board.supply.volts(0.4) - before == pytest.approx(0.15 * 0.25, rel=0.1)
