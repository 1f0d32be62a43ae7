"""The two-wire bus: who acknowledges, at which speed, and in what state the lines were found."""

from __future__ import annotations

from typing import NamedTuple

from benchctl.session.board import Board
from benchctl.wire import msg
from benchctl.wire.catalogue import TwiLines

_STATES = (
    (TwiLines.SDA_FREED, "SDA was held low by a part in the middle of a byte; clocks on SCL have freed it"),
    (TwiLines.SDA_HELD, "SDA is held low, also after nine clocks: shorted to ground, or a part there is broken"),
    (TwiLines.SCL_HELD, "SCL is held low: shorted to ground, or a part there is broken"),
)


class Bus(NamedTuple):
    """addresses: that acknowledged. slow: at 100 kHz only. states: what was odd about the lines, a sentence each."""

    addresses: tuple[int, ...]
    slow: bool
    states: tuple[str, ...]


def scan_bus(board: Board) -> Bus:
    """Look at 400 kHz, and at 100 kHz where nobody answers; the board stays at the speed at which somebody did.

    Raises Refused where pulse outputs have the bus's pins.
    """
    answer = board.ask(msg.TwiScan(slow=0), timeout=1.0)
    slow = False
    if not answer.data:
        again = board.ask(msg.TwiScan(slow=1), timeout=1.0)
        slow = bool(again.data)
        answer = again if slow else answer
    return Bus(tuple(answer.data), slow, tuple(sentence for bit, sentence in _STATES if answer.lines & bit))
