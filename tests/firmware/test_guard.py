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

SOURCES = Path(__file__).parents[2] / "firmware_probe"
MS = 2000  # ticks
LABEL = b"mudlark-craft-01"
CAP, SLEW, IDLE, FULL, SILENCE = 200, 200, 1000, 2000, 250
MOTOR = 2


class Rig:
    """The guard with its clock; time passes in milliseconds, the main loop alive unless told otherwise."""

    def __init__(self, probe, slew=SLEW, start=0xFFF00000):
        self.p = probe
        self.now = start  # the clock wraps on the way
        self.number = 0
        probe.set_now(self.now)
        probe.guard_start()
        probe.guard_configure(CAP, slew, IDLE, FULL, SILENCE, 1 << (MOTOR - 1))

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
        assert self.p.guard_arm(MOTOR, nonce, LABEL, LABEL)
        self.number = 0
        return nonce

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
        lambda r, n: r.p.guard_arm(MOTOR, n ^ 1, LABEL, LABEL),
        lambda r, n: r.p.guard_arm(MOTOR, n, b"mudlark-craft-02", LABEL),
        lambda r, n: r.p.guard_arm(1, n, LABEL, LABEL),
        lambda r, n: r.p.guard_arm(MOTOR, n, bytes(16), bytes(16)),
        lambda r, n: r.p.guard_arm(MOTOR, 0, LABEL, LABEL),
    ],
    ids=["nonce", "label", "channel", "no label", "zero"],
)
def test_wrong_answers_do_not_arm_and_use_the_challenge_up(rig, wrong):
    nonce = rig.p.guard_challenge(MOTOR, 0, 1)

    assert not wrong(rig, nonce)
    assert (rig.state, rig.reason) == (State.IDLE, Reason.BAD_ARM)
    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL)
    assert rig.state is State.IDLE


def test_a_challenge_is_good_for_five_seconds_and_once(rig):
    nonce = rig.p.guard_challenge(MOTOR, 0, 1)
    rig.wait(5001)

    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL)

    nonce = rig.arm()
    rig.p.guard_drop(Reason.STOPPED)

    assert not rig.p.guard_arm(MOTOR, nonce, LABEL, LABEL)
    assert rig.state is State.IDLE


def test_no_challenge_for_other_channels_or_while_armed(rig):
    assert rig.p.guard_challenge(1, 0, 1) == 0
    assert rig.p.guard_challenge(0, 0, 1) == 0
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
    probe.guard_configure(900, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1))
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
    rig.p.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1))

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
            armed = rig.p.guard_arm(
                MOTOR, nonce if right else chance.getrandbits(32), LABEL if right else chance.randbytes(16), LABEL
            )
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
            rig.p.guard_configure(CAP, SLEW, IDLE, FULL, SILENCE, 1 << (MOTOR - 1))
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
        source.write_text(f'#include "guard.h"\nvoid f(MotorWidth w) {{ {body} }}\n')
        command = ["g++", "-std=gnu++11", "-fsyntax-only", f"-I{SOURCES}", str(source)]
        return subprocess.run(command, capture_output=True).returncode == 0

    assert compiles("guard_output(1, w);")
    assert not compiles("guard_output(1, MotorWidth(4000));")
    assert not compiles("guard_output(1, 4000);")
    assert not compiles("MotorWidth x; (void)x;")
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

    assert lines <= 330
