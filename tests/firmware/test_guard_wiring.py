"""The guard: what may be changed and taught, and when."""

import pytest
from guard_rig import CAP, FULL, IDLE, LABEL, MOTOR, SERVO, SILENCE, SLEW, TURNER, UNCONFIRMED, Reason, Rig, State, live

from benchctl.wire.catalogue import OutputAct


def test_wiring_has_a_challenge_of_its_own(rig):
    """A nonce for a motor does not open it, one for it does not arm, nothing opens it while armed."""
    nonce = rig.p.guard_challenge(MOTOR, 0, 1)
    assert not rig.p.guard_arm(0, nonce, LABEL, LABEL, 300)
    nonce = rig.p.guard_challenge(0, 0, 1)
    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL, 300)
    assert rig.state is State.IDLE
    assert not rig.p.guard_wiring()
    live(rig)
    assert rig.p.guard_challenge(0, 0, 1) == 0
    assert not rig.p.guard_wiring()


def test_while_wiring_everything_is_silent_and_nothing_arms(rig):
    rig.wire()
    assert rig.p.guard_wiring()
    assert (rig.width_us, rig.p.guard_silent()) == (0, 1)
    assert not rig.p.guard_servo(SERVO, 3000)
    assert rig.p.guard_challenge(MOTOR, 0, 1) == 0
    assert not rig.throttle(10)
    assert rig.width_us == 0
    rig.p.guard_drop(Reason.STOPPED)
    assert (rig.state, rig.width_us) == (State.IDLE, IDLE)


def test_wiring_ends_a_minute_after_the_last_request_of_its_kind(rig):
    rig.wire()
    rig.wait(59_000)
    assert rig.p.guard_wiring()
    rig.wait(60_000)
    assert rig.state is State.WIRING
    rig.wait(2)
    assert (rig.state, rig.reason) == (State.IDLE, Reason.TIME_OUT)


@pytest.mark.parametrize(("channel", "servo", "widths"), [(1, 1, (1450, 1550)), (4, 0, (IDLE, IDLE))])
def test_an_output_is_tried_for_half_a_second(rig, channel, servo, widths):
    """A servo a little to either side of its centre, a motor controller at its idle; then silence again."""
    rig.wire()
    assert not rig.p.guard_attempted(channel)
    rig.p.guard_attempt(channel, servo)
    assert rig.us(channel) == widths[0]
    rig.wait(249)
    assert rig.us(channel) == widths[0]
    rig.wait(3)
    assert rig.us(channel) == widths[1]
    assert not rig.p.guard_attempted(channel)
    rig.wait(246)
    assert rig.us(channel) == widths[1]
    rig.wait(4)
    assert rig.us(channel) == 0
    assert rig.p.guard_attempted(channel)
    assert not rig.p.guard_attempted(2)


def test_leaving_ends_what_is_being_tried(rig):
    rig.wire()
    rig.p.guard_attempt(SERVO, 1)
    rig.p.guard_drop(Reason.STOPPED)

    assert rig.us(SERVO) == 0


# ---------------------------------------------------------------- teaching

FULL_ACT, BACKWARD, REST = OutputAct.FULL, OutputAct.BACKWARD, OutputAct.REST


def lesson(rig, channel=MOTOR, seconds=0.0):
    """Full stands, as it is asked for again every 200 ms."""
    rig.wire()
    rig.wait(2502)
    assert rig.p.guard_teach(channel, FULL_ACT)
    hold(rig, FULL_ACT, channel, seconds)


def hold(rig, act, channel=MOTOR, seconds=1.0):
    for _ in range(round(seconds / 0.2)):
        rig.wait(200)
        assert rig.p.guard_wiring()
        assert rig.p.guard_teach(channel, act)


def test_full_then_idle_and_never_back(rig):
    lesson(rig, seconds=70)  # longer than the wiring stays open by itself, and than the guard's clock
    assert rig.width_us == FULL
    assert rig.p.guard_teach(MOTOR, REST)
    hold(rig, REST)
    assert rig.width_us == IDLE
    assert not rig.p.guard_teach(MOTOR, FULL_ACT)
    assert rig.width_us == IDLE
    rig.p.guard_drop(Reason.STOPPED)
    assert (rig.state, rig.width_us, rig.p.guard_silent()) == (State.IDLE, IDLE, 0)


def test_a_reversible_controller_is_at_neutral_last(turner):
    turner.p.guard_drop(Reason.STOPPED)
    turner.wire()
    turner.wait(2502)
    assert turner.p.guard_teach(TURNER, FULL_ACT)
    assert turner.us(TURNER) == FULL
    assert turner.p.guard_teach(TURNER, BACKWARD)
    assert turner.us(TURNER) == 1000
    assert not turner.p.guard_teach(TURNER, FULL_ACT)
    assert turner.p.guard_teach(TURNER, REST)
    assert turner.us(TURNER) == 1500
    assert not turner.p.guard_teach(TURNER, BACKWARD)
    assert turner.us(TURNER) == 1500


def test_full_is_refused_where_it_is_not_the_first_thing(rig):
    """Outside the wiring; before silence has disarmed what has power; after a try; at other outputs."""
    assert not rig.p.guard_teach(MOTOR, FULL_ACT)
    rig.wire()
    rig.wait(2499)
    assert not rig.p.guard_teach(MOTOR, FULL_ACT)
    rig.wait(2)
    for channel in (SERVO, TURNER, UNCONFIRMED, 5):
        assert not rig.p.guard_teach(channel, FULL_ACT)
    assert not rig.p.guard_teach(MOTOR, REST)
    assert not rig.p.guard_teach(MOTOR, BACKWARD)
    rig.p.guard_attempt(MOTOR, 0)
    rig.wait(600)
    assert not rig.p.guard_teach(MOTOR, FULL_ACT)
    assert rig.width_us == 0


def test_one_output_only_while_it_is_wiring(probe):
    rig = Rig(probe)
    probe.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 0b110, 0, 1 << (SERVO - 1))
    lesson(rig)
    assert not probe.guard_teach(TURNER, FULL_ACT)
    assert not probe.guard_teach(TURNER, REST)
    assert not probe.guard_teach(MOTOR, BACKWARD)
    assert rig.us(TURNER) == 0


@pytest.mark.parametrize("how", ["stop", "late", "try"])
def test_full_that_ends_otherwise_leaves_no_pulse(rig, how):
    """Idle would be the next lesson to whoever has power by now."""
    lesson(rig)
    if how == "stop":
        rig.p.guard_drop(Reason.STOPPED)
    elif how == "late":
        rig.wait(250)
        assert rig.width_us == FULL
        rig.wait(2)
        assert rig.reason is Reason.KEEP_ALIVE
    else:
        rig.p.guard_attempt(SERVO, 1)
    assert rig.width_us == 0
    assert not rig.p.guard_teach(MOTOR, FULL_ACT)
    rig.wait(1000)
    assert rig.width_us == 0
    if how != "try":
        rig.arm()
        assert rig.width_us == IDLE


def test_a_lesson_that_is_not_kept_up_at_idle_goes_on_at_idle(rig):
    lesson(rig)
    rig.p.guard_teach(MOTOR, REST)
    rig.wait(252)
    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.KEEP_ALIVE, IDLE)
    rig.p.guard_drop(Reason.STOPPED)
    assert rig.width_us == IDLE
