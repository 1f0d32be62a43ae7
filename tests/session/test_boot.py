"""What a board says of itself, in words: versions, and why it restarted where its boot loader hid the flags."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

import pytest
from helpers import BOOT, IDENTIFY, FakeBench, answer, event

from benchctl.session.board import Board
from benchctl.session.boot import (
    LEAST_WAIT_S,
    OWN_SKETCH,
    Identity,
    cause_name,
    firmware_name,
    identity,
    likely_cause,
    role_of,
)
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import CauseFrom, ResetCause
from benchctl.wire.messages import Msg


@pytest.mark.parametrize(
    ("number", "name"), [(0x0102, "1.2"), (0x7F63, "127.99"), (0x8000, "own 0.0"), (0x8101, "own 1.1"), (0, "0.0")]
)
def test_a_version_in_words(number: int, name: str) -> None:
    """High byte and low byte; the topmost bit marks somebody's own sketch with the probe in it."""
    told = identity(msg.IdentifyAnswer(**{**IDENTIFY, "firmware": number}))

    assert firmware_name(number) == told.firmware == name
    assert told.own is (number >= 0x8000)
    assert OWN_SKETCH == 0x8000
    given = {f.name: getattr(told, f.name) for f in fields(Identity) if f.name != "own"}
    assert Identity(**given).own is False


def boot(cause: ResetCause, source: CauseFrom) -> Msg:
    return msg.Boot(**{**BOOT, "cause": cause, "cause_from": source})


@pytest.mark.parametrize("source", [CauseFrom.FLAGS, CauseFrom.LOADER, CauseFrom.INFERRED])
def test_what_the_chip_knows_counts(source: CauseFrom) -> None:
    """Whatever the host did: a brown-out during a reset by the line is a brown-out."""
    assert likely_cause(boot(ResetCause.WATCHDOG, source), True, 0.1, 1.6) == "watchdog"


@pytest.mark.parametrize(
    ("pulled", "silence_s", "loader_s", "cause"),
    [
        (True, 1.6, None, "reset line"),
        (False, 1.6, None, "unknown"),
        (False, 0.2, None, "unknown"),
        (False, 0.2, 1.6, "brown-out"),
        (False, 0.79, 1.6, "brown-out"),
        (False, 0.8, 1.6, "unknown"),  # half its loader's wait: it may have waited
        (False, 1.7, 1.6, "unknown"),
        (False, 0.01, LEAST_WAIT_S, "unknown"),  # a loader that does not wait tells nothing
        (False, 0.01, LEAST_WAIT_S + 0.01, "brown-out"),
    ],
)
def test_what_the_host_can_tell(pulled: bool, silence_s: float, loader_s: float | None, cause: str) -> None:
    """A quick start of a board whose loader waits after the reset line was no reset by the line."""
    assert likely_cause(boot(ResetCause.UNKNOWN, CauseFrom.NOTHING), pulled, silence_s, loader_s) == cause


def test_a_code_of_a_newer_firmware_is_unknown() -> None:
    assert cause_name(200) == "unknown"
    assert [role_of(code) for code in range(5)] == [Role.HAND, Role.CRAFT, Role.GAUGE, None, None]


@pytest.mark.parametrize(("silence_s", "cause"), [(0.2, "brown-out"), (1.7, "unknown")])
def test_the_session_measures_what_it_needs(silence_s: float, cause: str) -> None:
    """Loader's wait from a pull of the line, silence from the last that was heard of the board."""

    def script(asked: Msg) -> Iterable[bytes]:
        return [answer(asked, received=1, sent=2)]

    bench = FakeBench({Role.HAND: script})
    board: Board = bench.boards[Role.HAND]
    port = bench.ports[Role.HAND]
    hidden = {**BOOT, "cause": ResetCause.UNKNOWN, "cause_from": CauseFrom.NOTHING}
    port.reset = lambda: port.push(event(msg.Boot(**hidden), 0), 1.6)  # type: ignore[method-assign]
    board.reset_by_line()
    assert board.cause == "reset line"
    bench.wait(30.0)
    board.ask(msg.Clock())
    port.push(event(msg.Boot(**hidden), 0), silence_s)
    bench.wait(silence_s)
    board.poll()

    assert board.cause == cause
