"""Boards that are not there yet, or not any more: a person is asked to plug them in, and the run goes on by itself."""

from __future__ import annotations

from collections.abc import Callable

from benchctl import events as ev
from benchctl.bench import Bench
from benchctl.errors import BenchctlError, BoardError, OperatorAbsent, PortLost, Stopped
from benchctl.session.board import Board
from benchctl.stages.contract import Context

#: s: how long a board is waited for that somebody is to plug in, or to plug in again, and between two looks for it
PLUG_IN_S, AGAIN_S, PLUG_LOOK_S = 900.0, 180.0, 0.5
#: s: patience with a port that has just been opened, which restarts most boards: common boot loaders wait up to 2 s
_PORT_S = 2.5
_FLASH, _LEAVE = "yes", "no"

#: puts the probe firmware on the board of a port; told how far it is, as phase and share
Flash = Callable[[str, Callable[[str, float], None]], str]


class PlugIn:
    """Asks for boards of a real bench, where a person is there. flash: see `Runner`."""

    def __init__(self, bench: Bench, flash: Flash | None) -> None:
        self._bench = bench
        self._flash = flash
        self._declined: set[str] = set()

    def plugged_in(self, board: Board, context: Context, lost: bool) -> bool:
        """Ask a person to plug a board in; whether it has come, and is open. lost: it has been there before."""
        bench = self._bench
        if bench.kind != "ports" or bench.operator.by != "person" or board.via:
            return False
        seconds = AGAIN_S if lost else PLUG_IN_S
        prompt = context.prompt(
            ev.PromptKind.DO, _text(board, lost), "plug_in", role=board.role, timeout_s=seconds
        )  # fmt: skip
        deadline, told = bench.now() + seconds, ""
        try:
            while bench.now() < deadline:
                trouble = self._look(board)
                if trouble is None:
                    context.done(prompt)
                    return True
                if str(trouble) != told:
                    told = str(trouble)
                    context.note(told, "warning")
                if trouble.to_flash and self._flashed(context, board, trouble):
                    continue
                bench.wait(PLUG_LOOK_S)
        except BaseException:
            bench.operator.withdraw(prompt)
            raise
        bench.operator.withdraw(prompt)
        return False

    def _look(self, board: Board) -> PortLost | None:
        """None when it is there and open, else why it is not."""
        try:
            if not self._bench.reopen(board.role, _PORT_S):
                board.poll()
                return PortLost(f"the {board.role} board has not come back")
            who = board.open()
        except PortLost as e:
            return e
        except BoardError as e:
            return PortLost(str(e))
        if who.wrong_clock:
            return PortLost(f"{board.port.name}: {who.wrong_clock}", to_flash=board.port.name)
        return None

    def _flashed(self, context: Context, board: Board, trouble: PortLost) -> bool:
        """Offer to put the right program on it, once a port; whether that was done."""
        port = trouble.to_flash
        if self._flash is None or port in self._declined:
            return False
        text = (
            f"{trouble}. Is it the {board.role} unit, and shall the probe firmware be put on it now? What is on it is "
            f"overwritten."
        )
        choices = (_FLASH, _LEAVE)
        try:
            answer = context.ask(
                ev.PromptKind.CHOICE, text, "flash", role=board.role, detail=port, choices=choices, timeout_s=600.0
            )
        except OperatorAbsent:
            answer = _LEAVE
        if answer != _FLASH:
            self._declined.add(port)
            return False
        if board.port.name == port:
            board.port.close()
        try:
            context.note(self._flash(port, lambda phase, done: context.progress(done, 1.0, phase)), "warning")
        except Stopped:
            raise
        except BenchctlError as e:
            context.note(str(e), "warning")
            self._declined.add(port)
            return False
        return True


def _text(board: Board, lost: bool) -> str:
    label = board.wiring.label or (board.identity.label if board.identity is not None else "")
    named = f"{board.role} unit {label}" if label else f"{board.role} unit"
    if lost:
        return f"The {named} has gone: plug it in again. The run goes on by itself when it answers."
    alone = "" if label else ", and leave every other new board unplugged: so it is known which is which"
    return f"Plug in the {named} now{alone}. The run goes on by itself when it answers."
