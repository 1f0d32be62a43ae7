"""The wire as a caller types it: checked by mypy, never run.

Each ignored error is one that mypy has to find (`warn_unused_ignores`): a typo, a wrong answer or a wrong unit of it.
"""

from __future__ import annotations

from typing import assert_type

from benchctl.session.board import Board
from benchctl.wire import msg
from benchctl.wire.base import Column


def answers(board: Board) -> None:
    assert_type(board.ask(msg.Identify()), msg.IdentifyAnswer)
    assert_type(board.ask(msg.Identify(), timeout=0.3, repeats=1).label, str)
    assert_type(board.ask(msg.RadioSpi(data=b"\xff")).data, bytes)
    assert_type(board.ask(msg.Vitals()).vcc_mv, int)
    board.ask(msg.Vitals()).vcc  # type: ignore[attr-defined]
    board.ask(msg.Vitals()).data  # type: ignore[attr-defined]
    wrong: msg.ClockAnswer = board.ask(msg.Vitals())  # type: ignore[assignment]
    board.ask("vitals")  # type: ignore[arg-type]
    board.ask(msg.Captured())  # type: ignore[arg-type]
    board.ask(msg.VitalsAnswer)  # type: ignore[arg-type]
    del wrong


def requests() -> None:
    msg.Pulse(channel=1, width_us=1500)
    msg.Pulse(channel=1)  # type: ignore[call-arg]
    msg.Pulse(channel=1, width=1500)  # type: ignore[call-arg]
    msg.Pulse(channel="1", width_us=1500)  # type: ignore[arg-type]
    msg.Pulse(1, 1500)  # type: ignore[call-arg]
    msg.Pulse(channel=1, width_us=1500, data=b"")  # type: ignore[call-arg]
    msg.Pulse(channel=1, width_us=1500).channel = 2  # type: ignore[misc]
    msg.Pulsed(channel=1, width_us=1500)  # type: ignore[attr-defined]


def events(board: Board) -> None:
    for event in board.events(msg.Captured):
        assert_type(event, msg.Captured)
        for row in event.rows:
            assert_type(row.rise, int)
            row.rize  # type: ignore[attr-defined]
    assert_type(board.wait_event(msg.Done, 1.0).detail, int)
    assert_type(board.wait_done(msg.EnergyScan, 1.0), int)
    board.wait_done(msg.Done, 1.0)  # type: ignore[arg-type]
    board.events(msg.Vitals)  # type: ignore[type-var]
    board.events("trace")  # type: ignore[arg-type]


def columns(board: Board) -> None:
    sent = msg.LinkSent.columns(board.events(msg.LinkSent))
    assert_type(sent.queued, Column)
    sent.que  # type: ignore[attr-defined]
    msg.LinkSent.columns(board.events(msg.LinkReceived))  # type: ignore[arg-type]
