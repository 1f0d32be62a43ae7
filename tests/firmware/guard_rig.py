"""The guard of the firmware with its clock, as the tests ask and judge it."""

from benchctl.wire.catalogue import GuardReason as Reason
from benchctl.wire.catalogue import GuardState as State

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


def live(rig, permille=100, radio=0):
    rig.arm(radio)
    for _ in range(8):
        rig.throttle(permille)
        rig.wait(100, radio=bool(radio))
    assert rig.state is State.LIVE
    assert rig.width_us > IDLE + 50
