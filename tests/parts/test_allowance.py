"""What a board was told on its line, against the guard's rules as `firmware_probe/guard.h` states them in words."""

from __future__ import annotations

import pytest

from benchctl.parts.allowance import Allowance
from benchctl.wire.catalogue import SETTING_BY_NAME, OutputAct
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode
from benchctl.wire.msg import Arm, ArmChallenge, ArmChallengeAnswer, Output, Restart, SettingWrite, Stop, Throttle

LABEL, FRAME = "mudlark-craft-01", 0.028


def board() -> Allowance:
    one = Allowance(LABEL)
    one.store({SETTING_BY_NAME["cap_permille"].key: (200).to_bytes(2, "little")})
    return one


def tell(one: Allowance, message: object, time: float) -> None:
    one.to_board(frame(encode(message, 1)), time)  # type: ignore[arg-type]


def armed(one: Allowance, time: float, nonce: int = 7, label: str = LABEL) -> None:
    tell(one, ArmChallenge(channel=2, radio=0), time)
    one.from_board(frame(encode(ArmChallengeAnswer(nonce=7, state=1), 1)), time)
    tell(one, Arm(channel=2, nonce=nonce, label=label, cap_permille=200), time + 0.01)


def test_throttle_is_allowed_on_its_channel_for_the_keep_alive() -> None:
    """Armed and asked for: at most the throttle, no faster than the slew limit, for 250 ms and a frame."""
    one = board()
    armed(one, 1.0)
    assert not one.live(2, 1.02)
    for n in range(10):
        tell(one, Throttle(channel=2, permille=100, number=n + 1), 1.02 + 0.1 * n)
        # 200 permille a second from 1.02 s on
        assert one.permille(2, 1.02 + 0.1 * n) == pytest.approx(min(100, 20 * n), abs=1)
    last = 1.92
    assert one.permille(2, last) == pytest.approx(100)
    assert one.permille(1, last) == 0
    assert one.live(2, last + 0.25 + FRAME - 1e-3)
    assert not one.live(2, last + 0.25 + FRAME + 1e-3)


@pytest.mark.parametrize(("nonce", "label"), [(8, LABEL), (7, "mudlark-craft-02")])
def test_a_wrong_answer_allows_nothing(nonce: int, label: str) -> None:
    """Another nonce, another label."""
    one = board()
    armed(one, 1.0, nonce, label)
    tell(one, Throttle(channel=2, permille=100, number=1), 1.05)
    assert not one.live(2, 1.1)


def test_an_old_challenge_allows_nothing() -> None:
    """A nonce is good for 5 s, and once."""
    one = board()
    tell(one, ArmChallenge(channel=2, radio=0), 1.0)
    one.from_board(frame(encode(ArmChallengeAnswer(nonce=7, state=1), 1)), 1.0)
    tell(one, Arm(channel=2, nonce=7, label=LABEL, cap_permille=200), 6.1)
    tell(one, Throttle(channel=2, permille=100, number=1), 6.15)
    assert not one.live(2, 6.2)


@pytest.mark.parametrize("bad", [{"number": 1}, {"channel": 1}, {"permille": 201}])
def test_what_the_guard_refuses_ends_it(bad: dict[str, int]) -> None:
    """A number that does not rise, another channel, more than the cap."""
    one = board()
    armed(one, 1.0)
    tell(one, Throttle(channel=2, permille=100, number=1), 1.05)
    assert one.live(2, 1.1)
    tell(one, Throttle(**{"channel": 2, "permille": 100, "number": 2, **bad}), 1.1)
    assert not one.live(2, 1.1 + FRAME + 1e-3)


def test_stop_and_reset_end_it_within_a_frame() -> None:
    """So do both; nothing is undone by asking for more."""
    for end in (lambda one: tell(one, Stop(silent=0), 1.1), lambda one: one.restarted(1.1)):
        one = board()
        armed(one, 1.0)
        tell(one, Throttle(channel=2, permille=100, number=1), 1.05)
        end(one)
        tell(one, Throttle(channel=2, permille=100, number=2), 1.11)
        assert one.live(2, 1.1 + FRAME - 1e-3)
        assert not one.live(2, 1.1 + FRAME + 1e-3)


def wiring(one: Allowance, time: float) -> None:
    tell(one, ArmChallenge(channel=0, radio=0), time)
    one.from_board(frame(encode(ArmChallengeAnswer(nonce=9, state=1), 1)), time)
    tell(one, Arm(channel=0, nonce=9, label=LABEL, cap_permille=0), time)


def test_what_outputs_can_emit_changes_only_while_wiring() -> None:
    """And then only within the settings' bounds; nothing outlives a start that was not saved."""
    one = board()
    key = SETTING_BY_NAME["cap_permille"].key
    tell(one, SettingWrite(key=key, data=(50).to_bytes(2, "little")), 1.0)
    assert one.number("cap_permille") == 200
    wiring(one, 1.0)
    tell(one, SettingWrite(key=key, data=(900).to_bytes(2, "little")), 1.1)
    assert one.number("cap_permille") == 200
    tell(one, SettingWrite(key=key, data=(50).to_bytes(2, "little")), 1.2)
    assert one.number("cap_permille") == 50
    one.restarted(2.0)
    assert one.number("cap_permille") == 200


def test_an_output_moves_once_it_has_been_tried_and_confirmed() -> None:
    """Half a second while it is tried; confirmed only then; a change of wiring takes it back, so does forgetting."""
    one = board()
    tell(one, Output(channel=2, act=OutputAct.TRY), 1.0)
    assert not one.may_move(2, 1.1)
    wiring(one, 2.0)
    tell(one, Output(channel=2, act=OutputAct.CONFIRM), 2.1)
    assert not one.may_move(2, 2.2)
    tell(one, Output(channel=2, act=OutputAct.TRY), 3.0)
    assert one.may_move(2, 3.4)
    assert not one.may_move(1, 3.4)
    assert not one.may_move(2, 3.6)
    tell(one, Output(channel=2, act=OutputAct.CONFIRM), 4.0)
    assert one.may_move(2, 5.0)
    tell(one, SettingWrite(key=SETTING_BY_NAME["idle_us"].key, data=(1100).to_bytes(2, "little")), 6.0)
    assert not one.may_move(2, 6.1)


def test_a_restart_that_is_asked_for_cuts_a_pulse_before_the_reset_does() -> None:
    """The firmware frees its pins once its line is quiet, and its watchdog bites some 15 ms later."""
    one = board()
    tell(one, Restart(), 1.0)
    one.restarted(1.018)

    assert [one.cut(t) for t in (0.99, 1.002, 1.010, 1.018, 1.03)] == [False, True, False, True, False]


def test_half_a_frame_from_before_does_not_hide_a_nonce() -> None:
    """What the board sends is listened to after a challenge only, and may be left off in the middle of a frame."""
    one = board()
    tell(one, ArmChallenge(channel=2, radio=0), 1.0)
    answer = frame(encode(ArmChallengeAnswer(nonce=7, state=1), 1))[1:]  # one delimiter between frames
    one.from_board(answer + answer[:5], 1.0)
    one.from_board(answer[5:], 1.001)
    tell(one, ArmChallenge(channel=2, radio=0), 9.0)
    one.from_board(answer, 9.0)
    tell(one, Arm(channel=2, nonce=7, label=LABEL, cap_permille=200), 9.01)
    tell(one, Throttle(channel=2, permille=100, number=1), 9.05)

    assert one.live(2, 9.1)
