"""Teaching a motor controller its end points: full throttle stands before it gets power, idle is what it hears last.

The dangerous pulse is the first one. It goes out only in the board's state for wiring, entered by a challenge, with the
motors' battery attested off in this lesson, and after silence long enough to disarm a controller that has power all the
same. From there the board goes on and never back, as `OutputAct` has it. Neutral is a reversible controller's last
lesson: who has not entered teaching arms on it, and would turn at whatever came after.
"""

from __future__ import annotations

from types import TracebackType

from benchctl import events as ev
from benchctl.safety.drive import ANSWER_S
from benchctl.safety.interlock import Interlock
from benchctl.safety.stage_access import StageAccess
from benchctl.safety.wiring import Wiring
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import OutputAct

#: without any pulse before full goes out; the board wants 2.5 s
UNHEARD_S = 2.6


class Lesson:
    """`with Lesson(...) as lesson:` — `full`, `backward`, `rest` in this order; `keep` meanwhile, at most 250 ms apart.

    Left before `rest`, no pulse comes any more; after it, the idle pulse goes on without a gap. All raise Locked when
    an attestation is missing or void, BoardError when the board does not allow it.
    """

    def __init__(self, access: StageAccess, interlock: Interlock, role: Role, channel: int) -> None:
        self.access = access
        self.interlock = interlock
        self.role = role
        self.channel = channel
        self._wiring = Wiring(access, interlock, role)
        self._act = OutputAct.TRY
        self._live = False

    def __enter__(self) -> Lesson:
        self._wiring.__enter__()
        self.access.wait(UNHEARD_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.interlock.end_lesson()
        self._wiring.__exit__(kind, error, at)
        if self._live and kind is None:
            self._say(False, "outputs idle" if self._act is OutputAct.REST else "the pulses have been taken away")

    def full(self) -> None:
        """Full throttle goes out, at a controller without power."""
        self.interlock.begin_lesson(self.access.now())
        self._live = True
        self._say(True, f"FULL THROTTLE GOES OUT on output {self.channel} of the {self.role} board, to teach it")
        self._show(OutputAct.FULL)

    def backward(self) -> None:
        """Full throttle backwards, of a reversible controller that has taken full."""
        self._show(OutputAct.BACKWARD)

    def rest(self) -> None:
        """Idle, or neutral; nothing else comes after it."""
        self._show(OutputAct.REST)

    def keep(self) -> None:
        """The same for another 250 ms."""
        self._show(self._act)

    def _show(self, act: OutputAct) -> None:
        self.interlock.noticed(self.access.bench.late)
        self.interlock.check_lesson(self.access.now())
        self._act = act
        self._wiring.board.ask(msg.Output(channel=self.channel, act=act), timeout=ANSWER_S, repeats=0)

    def _say(self, live: bool, text: str) -> None:
        self.access.emit(ev.OutputsLive(self.access.now(), self.access.stage, live, text, float(live)))
