"""Driving a motor controller: arming, throttle with keep-alive, disarming. The only file that asks for throttle."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from benchctl import events as ev
from benchctl.errors import BoardError, Refused
from benchctl.safety.interlock import Interlock, Locked
from benchctl.safety.stage_access import StageAccess
from benchctl.safety.wiring import forget
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardReason, GuardState, name_of

#: from one throttle request to the next; the board's keep-alive lapses after 250 ms
KEEP_ALIVE_S = 0.06
#: a stop that silences has done so by then
QUIET_S = 0.15
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

    radio: control packets over the air are a condition of being armed, too. both_ways: a reversible controller.
    along: other boards that must stay plugged in and run on as long as there is throttle.
    """

    def __init__(
        self,
        access: StageAccess,
        interlock: Interlock,
        role: Role,
        channel: int,
        *,
        radio: bool = False,
        both_ways: bool = False,
        along: Iterable[Role] = (),
    ) -> None:
        self.access = access
        self.interlock = interlock
        self.role = role
        self.channel = channel
        self.radio = radio
        self.both_ways = both_ways
        self.along = set(along)
        self.width_us = 0
        #: the screen has been told that outputs are live, and not yet that they are idle
        self.said_live = False
        self._board = access.board(role)

    def read_guard(self) -> msg.GuardReadAnswer:
        """The guard's state; idle is noted for the interlock."""
        answer = self._board.ask(msg.GuardRead(), timeout=ANSWER_S)
        if answer.state == GuardState.IDLE:
            self.interlock.saw_idle(self.role)
            self._say_idle("outputs idle, as the board says")
        return answer

    def arm(self) -> None:
        """Challenge and response. Raises Locked when a condition is missing, GuardDropped when the board refuses."""
        self.read_guard()
        self.interlock.noticed(self.access.bench.late)
        self.interlock.clear(self.role, self.access.now())
        nonce = self._board.ask(msg.ArmChallenge(channel=self.channel, radio=int(self.radio))).nonce
        label = self._board.identity.label if self._board.identity else ""
        fields = self.interlock.arming(self.channel, nonce, label, self.role, self.access.now())
        cap = self.interlock.cap
        text = f"OUTPUTS LIVE: the {self.role} board's motor may turn, up to {100 * cap:g} % throttle"
        self.said_live = True
        self.access.emit(ev.OutputsLive(self.access.now(), self.access.stage, True, text, cap))
        answer = self._board.ask(msg.Arm(**fields))
        if answer.state not in (GuardState.ARMED, GuardState.LIVE):
            self.disarm()
            raise GuardDropped(f"the {self.role} board did not arm ({name_of(GuardState, answer.state)})", "bad arm")
        self.interlock.accepted()
        if answer.cap_permille < fields["cap_permille"]:
            own = answer.cap_permille / 10
            self.disarm()
            raise GuardDropped(
                f"the {self.role} board's own cap is {own:g} %, {100 * cap:g} % is asked for: state cap_permille among "
                "its settings in the pair file and have its outputs confirmed anew", "cap"
            )  # fmt: skip

    def throttle(self, permille: int) -> msg.ThrottleAnswer:
        """One throttle request, which is also the keep-alive.

        Raises Locked, GuardDropped, NoAnswer; PortLost, Restarted, of the boards along with it, too.
        """
        for role in self.along:
            self.access.board(role).check()
        self.interlock.noticed(self.access.bench.late)
        fields = self.interlock.throttle(self.channel, permille, self.role, self.access.now(), self.both_ways)
        answer = self._board.ask(msg.Throttle(**fields), timeout=ANSWER_S, repeats=0)
        self.width_us = answer.width_us
        if answer.state == GuardState.IDLE:
            reason = name_of(GuardReason, answer.reason)
            self.interlock.lapse()
            self._say_idle(f"outputs idle: {reason}")
            raise GuardDropped(f"the {self.role} board's guard went idle: {reason}", reason)
        return answer

    def hold_throttle(self, permille: int, seconds: float, meanwhile: Callable[[], object] | None = None) -> None:
        """Keep a throttle for a time. meanwhile: called between requests; must stay well under 100 ms."""
        end = self.access.now() + seconds
        while True:
            self.throttle(permille)
            if self.access.now() >= end:
                return
            if meanwhile is not None:
                meanwhile()
            self.access.wait(max(0.001, min(KEEP_ALIVE_S, end - self.access.now())))

    def refuses_wrong_nonce(self) -> bool:
        """Whether the board stays idle when the answer to its challenge is wrong; leaves it disarmed."""
        self.read_guard()
        self.interlock.clear(self.role, self.access.now())
        nonce = self._board.ask(msg.ArmChallenge(channel=self.channel, radio=0)).nonce
        label = self._board.identity.label if self._board.identity else ""
        fields = self.interlock.arming(self.channel, nonce ^ 1, label, self.role, self.access.now())
        try:
            state = self._board.ask(msg.Arm(**fields)).state
        except Refused:
            state = GuardState.IDLE
        idle = bool(state == GuardState.IDLE and self.read_guard().state == GuardState.IDLE)
        self.disarm()
        return idle

    def disarm(self) -> None:
        """Idle now, disarmed; safe to call at any time."""
        self.interlock.disarm()
        self._board.ask(msg.Stop(silent=0), timeout=ANSWER_S)
        self._say_idle("outputs idle, disarmed")

    def take_away(self) -> None:
        """No pulses any more, neither now nor from the next start on: the output has to be confirmed anew."""
        self.interlock.disarm()
        self._board.ask(msg.Stop(silent=1), timeout=ANSWER_S)
        self._say_idle("outputs idle; the pulses are being taken away")
        self.access.wait(QUIET_S)
        forget(self._board, self.channel)

    def silence(self) -> None:
        """Stop asking without disarming, to measure how the board cuts by itself; arming starts all over."""
        self.interlock.disarm()
        text = f"OUTPUTS LIVE: no more is asked of the {self.role} board, which must cut its motor by itself"
        self.access.emit(ev.OutputsLive(self.access.now(), self.access.stage, True, text, self.interlock.cap))

    def _say_idle(self, text: str) -> None:
        """Once the board has said so, or has answered a stop."""
        if not self.said_live:
            return
        self.said_live = False
        self.access.emit(ev.OutputsLive(self.access.now(), self.access.stage, False, text))


__all__ = ["ANSWER_S", "KEEP_ALIVE_S", "Drive", "GuardDropped", "Locked"]
