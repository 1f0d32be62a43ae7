"""A craft whose pulse outputs have been confirmed, and how a test tells it other ones: raw requests, no host's interlock."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from benchctl.wire import msg
from benchctl.wire.catalogue import GuardState, OutputAct

#: the healthy pair, its outputs confirmed before
PAIR = "confirmed-pair"
_KEY = "outputs_confirmed = true\n"


def confirmed(text: str) -> str:
    """A bench file's text with the craft's outputs confirmed before, unless it says of itself whether they are."""
    if "outputs_confirmed" in text or "[board.craft" not in text:
        return text
    if "[board.craft]" in text:
        return text.replace("[board.craft]", f"[board.craft]\n{_KEY}", 1)
    at = text.index("[board.craft")
    return f"{text[:at]}[board.craft]\n{_KEY}{text[at:]}"


@contextmanager
def wiring(board: Any) -> Iterator[None]:
    """The board's guard in the state in which what its outputs can emit may be changed."""
    board.ask(msg.Stop(silent=0))
    nonce = board.ask(msg.ArmChallenge(channel=0, radio=0)).nonce
    label = board.identify().label
    assert board.ask(msg.Arm(channel=0, nonce=nonce, label=label, cap_permille=0)).state == GuardState.WIRING
    yield
    board.ask(msg.Stop(silent=0))


def confirm(board: Any, *channels: int) -> None:
    """Tried and confirmed, while wiring."""
    for channel in channels:
        board.ask(msg.Output(channel=channel, act=OutputAct.TRY))
        board.clock.wait(0.52)
        board.ask(msg.Output(channel=channel, act=OutputAct.CONFIRM))


def settle(board: Any, *channels: int, **settings: int) -> None:
    """Guarded settings written, and the named outputs confirmed anew."""
    with wiring(board):
        for name, value in settings.items():
            board.write_setting(name, value)
        confirm(board, *channels)
