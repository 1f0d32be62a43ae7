"""The guard: its rules one by one."""

import pytest
from guard_rig import CAP, FULL, IDLE, LABEL, MOTOR, SERVO, SILENCE, SLEW, TURNER, UNCONFIRMED, Reason, Rig, State, live


def test_idle_from_the_start(rig):
    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.START, IDLE)
    assert not rig.throttle(50)
    assert rig.width_us == IDLE


def test_armed_by_nonce_and_label(rig):
    rig.arm()

    assert (rig.state, rig.width_us) == (State.ARMED, IDLE)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda r, n: r.p.guard_arm(MOTOR, n ^ 1, LABEL, LABEL, 300),
        lambda r, n: r.p.guard_arm(MOTOR, n, b"mudlark-craft-02", LABEL, 300),
        lambda r, n: r.p.guard_arm(1, n, LABEL, LABEL, 300),
        lambda r, n: r.p.guard_arm(MOTOR, n, bytes(16), bytes(16), 300),
        lambda r, n: r.p.guard_arm(MOTOR, 0, LABEL, LABEL, 300),
    ],
    ids=["nonce", "label", "channel", "no label", "zero"],
)
def test_wrong_answers_do_not_arm_and_use_the_challenge_up(rig, wrong):
    nonce = rig.p.guard_challenge(MOTOR, 0, 1)

    assert not wrong(rig, nonce)
    assert (rig.state, rig.reason) == (State.IDLE, Reason.BAD_ARM)
    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL, 300)
    assert rig.state is State.IDLE


def test_a_challenge_is_good_for_five_seconds_and_once(rig):
    nonce = rig.p.guard_challenge(MOTOR, 0, 1)
    rig.wait(5001)

    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL, 300)

    nonce = rig.arm()
    rig.p.guard_drop(Reason.STOPPED)

    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL, 300)
    assert rig.state is State.IDLE


def test_no_challenge_for_other_channels_or_while_armed(rig):
    assert rig.p.guard_challenge(1, 0, 1) == 0
    assert rig.p.guard_challenge(7, 0, 1) == 0
    rig.arm()
    assert rig.p.guard_challenge(MOTOR, 0, 1) == 0
    assert rig.state is State.ARMED


def test_keep_alive(rig):
    live(rig)
    rig.throttle(100)
    rig.wait(250)
    assert rig.state is State.LIVE
    rig.wait(2)

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.KEEP_ALIVE, IDLE)
    assert not rig.throttle(100)
    assert rig.width_us == IDLE


def test_radio_silence_where_it_is_a_condition(rig):
    live(rig, radio=1)
    for _ in range(2):
        rig.throttle(100)
        rig.wait(124)
    assert rig.state is State.LIVE
    rig.throttle(100)
    rig.wait(4)

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.SILENCE, IDLE)


def test_a_running_control_loop_makes_the_radio_a_condition(rig):
    rig.p.guard_link(1)
    rig.arm(radio=0)
    for _ in range(3):
        rig.throttle(100)
        rig.wait(100)

    assert (rig.state, rig.reason) == (State.IDLE, Reason.SILENCE)


def test_a_stuck_main_loop(rig):
    live(rig)
    rig.throttle(100)
    rig.wait(102, alive=False)

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.LOOP_STALL, IDLE)


@pytest.mark.parametrize(
    "request_", [{"permille": CAP + 1}, {"permille": 100, "number": 3}, {"permille": 100, "channel": 1}], ids=str
)
def test_a_bad_throttle_request_drops(rig, request_):
    live(rig)
    rig.throttle(**request_)

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.REFUSED, IDLE)


def test_the_cap_of_the_chip_stands_above_the_setting(probe):
    rig = Rig(probe)
    probe.guard_configure(900, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1), 0, 1 << (SERVO - 1))
    rig.arm()
    rig.throttle(301)

    assert rig.state is State.IDLE


def test_slew_and_cap(rig):
    """200 permille a second from 1000 to 2000 us is 0.2 us a millisecond; a request of 200 permille ends at 1200 us."""
    rig.arm()
    for step in range(1, 101):
        rig.throttle(200)
        rig.wait(10)

        assert rig.width_us <= IDLE + 0.2 * 10 * step + 0.5
        assert rig.width_us >= IDLE + 0.2 * 10 * step - 1.5 - 0.2
    rig.throttle(200)
    rig.wait(50)
    assert rig.width_us == pytest.approx(1200, abs=0.5)
    assert rig.width_us <= 1200
    rig.throttle(50)
    assert rig.width_us <= 1050  # down at once


def test_settings_disarm(rig):
    live(rig)
    rig.p.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1), 0, 1 << (SERVO - 1))

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.SETTINGS, IDLE)


def test_idle_for_longer_than_the_clock_wraps(rig):
    """36 minutes of silence, then half a turn more: nothing of the old ages counts."""
    rig.arm()
    rig.p.guard_drop(Reason.STOPPED)
    rig.wait(40_000)
    rig.now = (rig.now + 0x7FFFFFFF) & 0xFFFFFFFF
    rig.wait(5)

    assert (rig.state, rig.width_us) == (State.IDLE, IDLE)
    live(rig)


def test_every_arming_has_its_own_cap(rig):
    """The least of the stored one, the one asked for and 300 permille; a later arming inherits nothing."""
    for asked, stored, cap in ((100, 200, 100), (300, 200, 200), (999, 900, 300), (50, 900, 50)):
        rig.p.guard_configure(stored, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1), 0, 0)
        nonce = rig.p.guard_challenge(MOTOR, 0, 1)
        assert rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL, asked)
        assert rig.p.guard_cap() == cap
        rig.number = 0
        assert rig.throttle(cap)
        assert not rig.throttle(cap + 1)
        assert rig.reason is Reason.REFUSED


def test_only_the_armed_channel_leaves_idle(rig):
    rig.p.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 0b110, 0, 0)
    live(rig)

    assert rig.width_us > IDLE
    assert rig.us(TURNER) == IDLE


# ---------------------------------------------------------------- controllers that turn both ways


@pytest.mark.parametrize("sign", [1, -1])
def test_cap_and_slew_hold_on_both_sides_of_neutral(turner, sign):
    """From neutral 1500 to full 2000 us: 200 permille a second is 0.1 us a millisecond, the cap 100 us away."""
    for step in range(1, 101):
        turner.throttle(sign * 200, channel=TURNER)
        turner.wait(10)
        away = sign * (turner.us(TURNER) - 1500)
        assert 0.1 * 10 * step - 1.6 <= away <= 0.1 * 10 * step + 0.5
    assert turner.us(TURNER) == pytest.approx(1500 + sign * 100, abs=0.5)
    assert not turner.throttle(sign * 201, channel=TURNER)
    assert (turner.state, turner.us(TURNER)) == (State.IDLE, 1500)


def test_reversing_goes_through_neutral_at_the_slew(turner):
    for _ in range(6):
        turner.throttle(200, channel=TURNER)
        turner.wait(100)
    before = turner.us(TURNER)
    turner.throttle(-200, channel=TURNER)

    assert before > 1540
    assert turner.us(TURNER) == 1500
    turner.wait(100)
    assert 1489 <= turner.us(TURNER) < 1500


def test_a_one_way_controller_takes_no_throttle_below_zero(rig):
    live(rig)
    rig.throttle(-1)

    assert (rig.state, rig.reason, rig.width_us) == (State.IDLE, Reason.REFUSED, IDLE)


# ---------------------------------------------------------------- silence


def test_a_stop_that_silences_idles_first_and_ends_the_pulses_for_good(rig):
    live(rig)
    rig.p.guard_drop(Reason.STOPPED)
    rig.p.guard_quiet()
    assert rig.width_us == IDLE
    rig.wait(99)
    assert rig.width_us == IDLE
    rig.wait(2)
    assert rig.width_us == 0
    rig.p.guard_pause(0)
    assert rig.width_us == 0
    rig.wait(60_000)
    assert rig.width_us == 0
    rig.arm()
    assert rig.width_us == IDLE


def test_a_pause_of_the_idle_pulse_never_reaches_an_armed_channel(rig):
    rig.p.guard_challenge(MOTOR, 0, 1)
    rig.p.guard_pause(1)
    assert rig.width_us == 0
    rig.p.guard_drop(Reason.STOPPED)
    live(rig)
    was = rig.width_us
    rig.p.guard_pause(1)
    assert rig.width_us == was
    rig.p.guard_pause(0)
    assert rig.width_us == was


def test_an_unconfirmed_channel_is_silent_and_cannot_be_armed(rig):
    assert rig.p.guard_challenge(UNCONFIRMED, 0, 1) == 0
    rig.p.guard_pause(0)
    rig.wait(10)
    assert rig.us(UNCONFIRMED) == 0
    assert not rig.p.guard_servo(UNCONFIRMED, 3000)
    assert rig.p.guard_servo(SERVO, 3000)
    assert not rig.p.guard_servo(MOTOR, 3000)
    assert (rig.us(SERVO), rig.us(MOTOR), rig.us(UNCONFIRMED)) == (1500, IDLE, 0)


@pytest.mark.parametrize(
    ("own", "idle"), [(1100, 1100), (800, 800), (1200, 1200), (799, IDLE), (1201, IDLE), (1500, IDLE), (0, IDLE)]
)
def test_a_channel_has_an_idle_of_its_own_within_the_bounds_of_all(rig, own, idle):
    rig.p.guard_own(MOTOR - 1, own)
    rig.p.guard_own(SERVO - 1, 1100)
    rig.p.guard_own(TURNER - 1, 1150)
    rig.p.guard_pause(0)
    assert rig.width_us == idle


@pytest.mark.parametrize(("own", "rest"), [(1400, 1400), (1600, 1600), (1399, 1500), (1601, 1500), (1000, 1500)])
def test_a_reversible_channel_has_a_neutral_of_its_own(turner, own, rest):
    turner.p.guard_own(TURNER - 1, own)
    turner.p.guard_drop(Reason.STOPPED)
    assert turner.us(TURNER) == rest


@pytest.mark.parametrize(("own", "full"), [(1500, 1500), (2200, 2200), (0, FULL)])
def test_a_channel_has_a_full_of_its_own(probe, own, full):
    """The cap is a share of it, and of no other channel's."""
    rig = Rig(probe, slew=1000)
    probe.guard_own(6 + MOTOR - 1, own)
    probe.guard_own(6 + TURNER - 1, 2100)
    rig.arm()
    for _ in range(10):
        assert rig.throttle(200)
        rig.wait(100)
    assert rig.width_us == pytest.approx(IDLE + 0.2 * (full - IDLE), abs=0.5)
