"""What scenarios are told with.

A scenario takes a rig whose craft has just been switched on and raises AssertionError. The same stories are told to the
modelled and to the compiled firmware, and to firmware with seeded defects, each of which one of them must notice.
"""

from __future__ import annotations

from collections.abc import Callable

from proof_rig import LABEL, Rig

from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, GuardReason, GuardState
from benchctl.wire.messages import Msg

Scenario = Callable[[Rig], None]
SCENARIOS: dict[str, Scenario] = {}
IDLE_US = 1000


def scenario(function: Scenario) -> Scenario:
    SCENARIOS[function.__name__.replace("_", " ")] = function
    return function


def live(rig: Rig, permille: int = 150, seconds: float = 0.5, radio: int = 0) -> None:
    """Armed the right way, and above idle on the pin."""
    assert rig.arm(radio), "the right answer does not arm"
    since = rig.now()
    rig.drive(permille, seconds)
    assert rig.pulses.above(IDLE_US, since), "armed and asked, yet no pulse above idle"


def state(rig: Rig) -> GuardState:
    answer = rig.ask(msg.GuardRead())
    assert answer is not None
    return GuardState(answer.state)


def reason(rig: Rig) -> GuardReason:
    answer = rig.ask(msg.GuardRead())
    assert answer is not None
    return GuardReason(answer.reason)


def stays_idle(rig: Rig) -> None:
    """Throttle has no effect: it has to be armed anew."""
    since = rig.now()
    for _ in range(5):
        rig.throttle(100)
        rig.wait(0.02)
    assert state(rig) < GuardState.ARMED
    assert not rig.pulses.above(IDLE_US, since)


def nonce_of(rig: Rig, radio: int = 0) -> int:
    answer = rig.ask(msg.ArmChallenge(channel=2, radio=radio))
    assert answer is not None
    assert isinstance(answer, msg.ArmChallengeAnswer)
    return int(answer.nonce)


def answer_with(rig: Rig, nonce: int, label: str = LABEL, channel: int = 2, cap: int = 300) -> GuardState:
    answer = rig.ask(msg.Arm(channel=channel, nonce=nonce & 0xFFFFFFFF, label=label, cap_permille=cap))
    assert answer is not None
    rig.throttle_number = 0
    return GuardState(answer.state)


def setting(rig: Rig, name: str, value: int) -> Msg | None:
    row = SETTING_BY_NAME[name]
    return rig.setting(row.key, value, 1 if row.type == "u8" else 2)
