"""Driving a motor controller: arming, throttle with keep-alive, disarming. The only file that asks for throttle."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchctl import events as ev
from benchctl.errors import BoardError, Refused
from benchctl.safety.hands import Hands
from benchctl.safety.interlock import Interlock, Locked
from benchctl.terms import Role
from benchctl.wire.catalogue import GuardReason, GuardState, name_of
from benchctl.wire.messages import Msg

#: from one throttle request to the next; the board's keep-alive lapses after 250 ms
KEEP_ALIVE_S = 0.06
#: an answer later than this is as good as none: the next request must still be in time
ANSWER_S = 0.1


class GuardDropped(BoardError):
    """The board's guard went idle by itself; the text says why.

    reason: the guard's reason in words.
    """

    def __init__(self, text: str, reason: str) -> None:
        super().__init__(text)
        self.reason = reason


class Drive:
    """One motor-controller channel of one board, from arming to disarming.

    radio: control packets over the air are a condition of being armed, too.
    along: other boards that must stay plugged in and run on as long as there is throttle.
    """

    def __init__(
        self,
        hands: Hands,
        interlock: Interlock,
        role: Role,
        channel: int,
        *,
        radio: bool = False,
        along: Iterable[Role] = (),
    ) -> None:
        self.hands = hands
        self.interlock = interlock
        self.role = role
        self.channel = channel
        self.radio = radio
        self.along = set(along)
        self.width_us = 0
        self._board = hands.board(role)

    def read_guard(self) -> Msg:
        """The guard's state; idle is noted for the interlock."""
        answer = self._board.ask("guard_read", timeout=ANSWER_S)
        if answer.state == GuardState.IDLE:
            self.interlock.saw_idle(self.role)
        return answer

    def arm(self) -> None:
        """Challenge and response. Raises Locked when a condition is missing, GuardDropped when the board refuses."""
        self._board.write_setting("cap_permille", round(1000 * self.interlock.cap))
        self.read_guard()
        self.interlock.clear(self.role, self.hands.now())
        nonce = self._board.ask("arm_challenge", channel=self.channel, radio=int(self.radio)).nonce
        label = self._board.identity.label if self._board.identity else ""
        fields = self.interlock.arming(self.channel, nonce, label, self.role, self.hands.now())
        cap = self.interlock.cap
        text = f"OUTPUTS LIVE: the {self.role} board's motor may turn, up to {100 * cap:g} % throttle"
        self.hands.emit(ev.OutputsLive(self.hands.now(), self.hands.stage, True, text, cap))
        answer = self._board.ask("arm", **fields)
        if answer.state not in (GuardState.ARMED, GuardState.LIVE):
            self.disarm()
            raise GuardDropped(f"the {self.role} board did not arm ({name_of(GuardState, answer.state)})", "bad arm")
        self.interlock.accepted()

    def throttle(self, permille: int) -> Msg:
        """One throttle request, which is also the keep-alive.

        Raises Locked, GuardDropped, NoAnswer; PortLost, Restarted, of the boards along with it, too.
        """
        for role in self.along:
            self.hands.board(role).check()
        fields = self.interlock.throttle(self.channel, permille, self.role, self.hands.now())
        answer = self._board.ask("throttle", timeout=ANSWER_S, repeats=0, **fields)
        self.width_us = answer.width_us
        if answer.state == GuardState.IDLE:
            reason = name_of(GuardReason, answer.reason)
            self.interlock.lapse()
            self._say_idle(f"outputs idle: {reason}")
            raise GuardDropped(f"the {self.role} board's guard went idle: {reason}", reason)
        return answer

    def hold(self, permille: int, seconds: float, meanwhile: Callable[[], object] | None = None) -> None:
        """Keep a throttle for a time. meanwhile: called between requests; must stay well under 100 ms."""
        end = self.hands.now() + seconds
        while True:
            self.throttle(permille)
            if self.hands.now() >= end:
                return
            if meanwhile is not None:
                meanwhile()
            self.hands.wait(max(0.001, min(KEEP_ALIVE_S, end - self.hands.now())))

    def refuses_wrong_nonce(self) -> bool:
        """Whether the board stays idle when the answer to its challenge is wrong; leaves it disarmed."""
        self.read_guard()
        self.interlock.clear(self.role, self.hands.now())
        nonce = self._board.ask("arm_challenge", channel=self.channel, radio=0).nonce
        label = self._board.identity.label if self._board.identity else ""
        fields = self.interlock.arming(self.channel, nonce ^ 1, label, self.role, self.hands.now())
        try:
            state = self._board.ask("arm", **fields).state
        except Refused:
            state = GuardState.IDLE
        idle = bool(state == GuardState.IDLE and self.read_guard().state == GuardState.IDLE)
        self.disarm()
        return idle

    def disarm(self) -> None:
        """Idle now, disarmed; safe to call at any time."""
        was_live = self.interlock.may_move
        self.interlock.disarm()
        self._board.ask("stop", timeout=ANSWER_S)
        if was_live:
            self._say_idle("outputs idle, disarmed")

    def silence(self) -> None:
        """Stop asking without disarming, to measure how the board cuts by itself; arming starts all over."""
        self.interlock.disarm()
        self._say_idle("no more keep-alive is sent: the board must go idle by itself")

    def _say_idle(self, text: str) -> None:
        self.hands.emit(ev.OutputsLive(self.hands.now(), self.hands.stage, False, text))


__all__ = ["ANSWER_S", "KEEP_ALIVE_S", "Drive", "GuardDropped", "Locked"]
