"""Changing what a board's pulse outputs can emit, and confirming them: only with the motors' battery unplugged.

The board takes it only in a state of its guard that is entered by a challenge, over a cable, and in which all pulse
outputs are silent but for one that is tried for half a second.
"""

from __future__ import annotations

from types import TracebackType

from benchctl.errors import BoardError, NoAnswer
from benchctl.safety.interlock import Interlock
from benchctl.safety.stage_access import StageAccess
from benchctl.session.board import Board
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardState, OutputAct, name_of

#: how long an output is tried, and a little
TRY_S = 0.6


class Wiring:
    """`with Wiring(...) as wiring:` — settings of pulse outputs may be written, outputs tried and confirmed.

    Entering raises Locked when the battery is not attested to be off, BoardError when the board does not allow it.
    """

    def __init__(self, access: StageAccess, interlock: Interlock, role: Role) -> None:
        self.access = access
        self.interlock = interlock
        self.board: Board = access.board(role)

    def __enter__(self) -> Wiring:
        board = self.board
        self.interlock.check_off(self.access.now())
        board.ask(msg.Stop(silent=0))
        nonce = board.ask(msg.ArmChallenge(channel=0, radio=0)).nonce
        label = board.identity.label if board.identity else ""
        state = board.ask(msg.Arm(**self.interlock.wiring(nonce, label, self.access.now()))).state
        if state != GuardState.WIRING:
            said = name_of(GuardState, state)
            raise BoardError(f"the {board.role} board does not let its pulse outputs be changed ({said})")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        try:
            self.board.ask(msg.Stop(silent=0))
        except NoAnswer:
            if kind is None:
                raise

    def attempt(self, channel: int) -> None:
        """Half a second: 1450 to 1550 us on a servo output, the idle pulse on a motor controller's."""
        self.interlock.check_off(self.access.now())
        self.board.ask(msg.Output(channel=channel, act=OutputAct.TRY))
        self.access.wait(TRY_S)

    def confirm(self, channel: int) -> None:
        """A person has seen that it moves what it should. `Board.save_settings` keeps it."""
        self.board.ask(msg.Output(channel=channel, act=OutputAct.CONFIRM))


def forget(board: Board, channel: int) -> None:
    """The output is silent until it is confirmed anew, also after a restart."""
    board.ask(msg.Output(channel=channel, act=OutputAct.FORGET))
    board.save_settings()
