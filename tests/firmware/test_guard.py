"""The guard: rules one by one, random operations against an invariant, and the wall around it.

Invariant, at every step: a pulse above idle only while armed by the right answer, with a keep-alive at most 250 ms
old, within the cap, risen no faster than the slew limit, the main loop alive, and the radio heard where it counts.
"""

import random
import shutil
import subprocess
from pathlib import Path

import pytest
from needs import need

from benchctl.wire.catalogue import GuardReason as Reason
from benchctl.wire.catalogue import GuardState as State
from benchctl.wire.catalogue import OutputAct

SOURCES = Path(__file__).parents[2] / "firmware_probe"
MS = 2000  # ticks
LABEL = b"mudlark-craft-01"
CAP, SLEW, IDLE, FULL, SILENCE = 200, 200, 1000, 2000, 250
MOTOR, SERVO, TURNER, UNCONFIRMED = 2, 1, 3, 4


class Rig:
    """The guard with its clock; time passes in milliseconds, the main loop alive unless told otherwise."""

    def __init__(self, probe, slew=SLEW, start=0xFFF00000):
        self.p = probe
        self.now = start  # the clock wraps on the way
        self.number = 0
        probe.set_now(self.now)
        probe.guard_start()
        probe.guard_configure(CAP, slew, IDLE, FULL, SILENCE, 1 << (MOTOR - 1), 0, 1 << (SERVO - 1))

    def wait(self, ms, alive=True, radio=False):
        for _ in range(ms):
            self.now = (self.now + MS) & 0xFFFFFFFF
            self.p.set_now(self.now)
            if alive:
                self.p.guard_loop()
            if radio:
                self.p.guard_packet()
            self.p.guard_tick()

    def arm(self, radio=0):
        nonce = self.p.guard_challenge(MOTOR, radio, 12345)
        assert self.p.guard_arm(MOTOR, nonce, LABEL, LABEL, 300)
        self.number = 0
        return nonce

    def wire(self):
        """Into the state in which the wiring may be changed."""
        nonce = self.p.guard_challenge(0, 0, 12345)
        assert self.p.guard_arm(0, nonce, LABEL, LABEL, 300)
        assert self.state is State.WIRING

    def us(self, channel):
        return self.p.guard_width_ticks(channel) / 2

    def throttle(self, permille, number=None, channel=MOTOR):
        self.number = self.number + 1 if number is None else number
        return self.p.guard_throttle(channel, permille, self.number)

    @property
    def state(self):
        return State(self.p.guard_state())

    @property
    def reason(self):
        return Reason(self.p.guard_reason())

    @property
    def width_us(self):
        return self.p.guard_width_ticks(MOTOR) / 2


@pytest.fixture
def rig(probe):
    return Rig(probe)


def live(rig, permille=100, radio=0):
    rig.arm(radio)
    for _ in range(8):
        rig.throttle(permille)
        rig.wait(100, radio=bool(radio))
    assert rig.state is State.LIVE
    assert rig.width_us > IDLE + 50


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


@pytest.fixture
def turner(probe):
    """Channel 3 is a confirmed reversible controller."""
    rig = Rig(probe)
    probe.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (TURNER - 1), 1 << (TURNER - 1), 0)
    nonce = probe.guard_challenge(TURNER, 0, 1)
    assert probe.guard_arm(TURNER, nonce, LABEL, LABEL, 300)
    return rig


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


# ---------------------------------------------------------------- wiring


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


class Model:
    """What must hold, kept apart from the firmware: when the keep-alive, packet and loop were last seen, in ms."""

    def __init__(self):
        self.armed = False
        self.radio = False
        self.last = {"throttle": -10_000, "radio": -10_000, "loop": 0}
        self.asked = 0


@pytest.mark.parametrize("seed", range(12))
def test_random_operations_keep_the_invariant(probe, seed):
    chance = random.Random(seed)
    rig = Rig(probe, slew=chance.choice((10, 200, 1000)), start=chance.randrange(1 << 32))
    m, t, nonce = Model(), 0, 0
    for _ in range(6000):
        action = chance.choice("wwwwwwttttttcaaAAsRpplg")
        if action == "w":
            ms = chance.choice((1, 1, 5, 20, 60, 130, 300))
            alive, radio = chance.random() < 0.95, chance.random() < 0.8
            for _ in range(ms):
                rig.wait(1, alive, radio)
                t += 1
                if alive:
                    m.last["loop"] = t
                if radio:
                    m.last["radio"] = t
                check(rig, m, t)
        elif action == "t":
            permille = chance.choice((0, 50, 100, 199, 200, 201, 5000))
            number = rig.number + chance.choice((1, 1, 1, 1, 1, 0, -1, 5))
            was = rig.state
            if rig.throttle(permille, max(0, number), chance.choice((MOTOR,) * 12 + (1,))):
                assert m.armed
                assert was in (State.ARMED, State.LIVE)
                assert permille <= CAP
                m.last["throttle"], m.asked = t, permille
        elif action == "c":
            m.wants_radio = chance.random() < 0.3
            nonce = rig.p.guard_challenge(MOTOR, int(m.wants_radio), chance.getrandbits(32)) or nonce
        elif action in "aA":
            right = action == "A"
            was = rig.state
            answer = (nonce, LABEL) if right else (chance.getrandbits(32), chance.randbytes(16))
            armed = rig.p.guard_arm(MOTOR, *answer, LABEL, 300)
            if armed:
                assert right
                assert was is State.CHALLENGED
                m.armed, m.radio = True, m.wants_radio
                m.last = dict.fromkeys(m.last, t)
                m.asked, rig.number = 0, 0
        elif action == "s":
            rig.p.guard_drop(Reason.STOPPED)
            assert rig.width_us == IDLE
        elif action == "p":
            rig.p.guard_packet()
            m.last["radio"] = t
        elif action == "l":
            rig.p.guard_loop()
            m.last["loop"] = t
        elif action == "g":
            rig.p.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1), 0, 1 << (SERVO - 1))
        check(rig, m, t)


def check(rig, m, t):
    if rig.state in (State.IDLE, State.CHALLENGED):
        m.armed = False
    if rig.width_us > IDLE:
        assert rig.state is State.LIVE
        assert m.armed
        assert t - m.last["throttle"] <= 251
        assert t - m.last["loop"] <= 101
        assert not m.radio or t - m.last["radio"] <= SILENCE + 1
        assert rig.width_us <= IDLE + (FULL - IDLE) * min(m.asked, CAP) / 1000 + 0.5


# ---------------------------------------------------------------- the wall


def code_of(path):
    return "\n".join(line.split("//")[0] for line in path.read_text().splitlines())


def test_nobody_but_the_guard_can_make_a_motor_width(tmp_path):
    """The width of a motor channel is a class that only the guard constructs; others do not compile."""
    need(None if shutil.which("g++") else "the firmware's host tests need g++")

    def compiles(body):
        source = tmp_path / "t.cpp"
        source.write_text(f'#include "guard.h"\nvoid f(GuardedWidth w) {{ {body} }}\n')
        command = ["g++", "-std=gnu++11", "-fsyntax-only", f"-I{SOURCES}", str(source)]
        return subprocess.run(command, capture_output=True).returncode == 0

    assert compiles("guard_output(1, w);")
    assert not compiles("guard_output(1, GuardedWidth(4000));")
    assert not compiles("guard_output(1, 4000);")
    assert not compiles("GuardedWidth x; (void)x;")
    assert not compiles("w.ticks_ = 4000;")


def test_motor_widths_are_put_out_in_one_place():
    """Called by the guard only; defined where the pins are."""
    callers = [p.name for p in SOURCES.glob("*.cpp") if "guard_output(" in code_of(p)]

    assert sorted(callers) == ["guard.cpp", "hw_pulse.cpp"]
    assert code_of(SOURCES / "hw_pulse.cpp").count("guard_output(") == 1


def test_no_register_outside_the_hw_files():
    """The hw files are the only ones that know the chip."""
    for path in (*SOURCES.glob("*.cpp"), *SOURCES.glob("*.h"), *SOURCES.glob("*.ino")):
        if path.name.startswith("hw_"):
            continue
        text = code_of(path)

        assert "<avr/" not in text, path.name
        assert "<util/" not in text, path.name
        assert "hw_chip.h" not in text, path.name


def test_the_guard_can_be_read_in_one_sitting():
    lines = sum(len((SOURCES / name).read_text().splitlines()) for name in ("guard.h", "guard.cpp"))

    assert lines <= 420
