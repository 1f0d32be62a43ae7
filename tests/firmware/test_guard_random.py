"""The guard: random operations against an invariant.

At every step: a pulse above idle only while armed by the right answer, with a keep-alive at most 250 ms old, within the
cap, risen no faster than the slew limit, the main loop alive, and the radio heard where it counts.
"""

import random

import pytest
from guard_rig import CAP, FULL, IDLE, LABEL, MOTOR, SERVO, SILENCE, SLEW, Reason, Rig, State


class Model:
    """What must hold, kept apart from the firmware: when the keep-alive, packet and loop were last seen, in ms."""

    def __init__(self):
        self.armed = False
        self.radio = False
        self.last = {"throttle": -10_000, "radio": -10_000, "loop": 0}
        self.asked = 0


@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(s, marks=pytest.mark.long) for s in range(4, 12))])
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
