"""What may be asked of a board from outside the shipped stages: by a stage of one's own, or by a script.

Python cannot fence code in: this stops what is asked through a `Board`, by mistake or by a copied line. Whoever writes
bytes to the port past it is held by the board's own guard alone (challenge, cap, slew, keep-alive).
"""

from __future__ import annotations

from typing import Any

from benchctl.safety.interlock import Interlock, Locked, State
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.base import Request

#: states of the interlock in which each request that leads to a turning motor may go out
_WHEN: dict[type[Request[Any]], frozenset[State]] = {
    msg.ArmChallenge: frozenset((State.CLEARED,)),
    msg.Arm: frozenset((State.CHALLENGED,)),
    msg.Throttle: frozenset((State.ARMED, State.LIVE)),
}
#: requests that move a servo
_MOVES = (msg.Pulse, msg.StickSet)


class HeldInterlock(Interlock):
    """The run's interlock as a stage of one's own has it: the same state, but nothing can be attested through it."""

    def __init__(self, whole: Interlock) -> None:
        self.__dict__ = whole.__dict__

    def attest(self, name: str, now: float) -> float:
        """Raises Locked: the person attests to the run, never a stage."""
        raise Locked(f"a stage of one's own cannot attest {name!r}: the run asks the person")

    def set_cap(self, cap: float) -> None:
        """Raises Locked: what was attested holds for the cap that was told then."""
        raise Locked("a stage of one's own cannot change the throttle cap; its parameter `cap` says it before the run")

    def renew(self) -> None:
        """Raises Locked: a stop is final."""
        raise Locked("a stage of one's own cannot undo a stop")


class Gate:
    """Call it with every request before it goes to the board of `role`; raises Locked for one that may not go.

    spins: a stage that was attested as one that may spin something. moves: one for which it was attested that the
    motors' battery is unplugged, or that may spin something.
    """

    def __init__(self, role: Role, interlock: Interlock, *, spins: bool = False, moves: bool = False) -> None:
        self.role = role
        self._interlock = interlock
        self._spins = spins
        self._moves = moves or spins

    def __call__(self, request: Request[Any]) -> None:
        if isinstance(request, msg.Output):
            raise Locked("outputs are confirmed by the outputs stage alone")
        when = _WHEN.get(type(request))
        if when is not None and not (self._spins and self._interlock.state in when and self._channel(request)):
            raise Locked(
                f"{request.NAME!r} leads to a turning motor: it goes out in an attested stage, through its drive, alone"
            )
        if isinstance(request, _MOVES) and self.role is not Role.GAUGE and not self._moves:
            raise Locked(f"{request.NAME!r} can move a servo: only in a stage that says so (swings)")

    @staticmethod
    def _channel(request: Any) -> bool:
        """Channel 0 is no motor: it opens the wiring of the outputs."""
        return bool(request.channel)
