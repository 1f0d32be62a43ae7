"""Every stage against every misbehaving board: a verdict and one sentence, in bounded bench time and memory."""

from __future__ import annotations

import random
import tracemalloc
from dataclasses import replace

import pytest
from helpers import BOOT, Collected, FakeBench, answer
from hostile import EVENTS, TEMPERS, HostileBench, alone, anything, body_of, perform

from benchctl.errors import BoardError, NoAnswer
from benchctl.events import BoardLost, Note, StageEnded
from benchctl.procedure.runner import Runner
from benchctl.session.exchange import MAX_EVENTS
from benchctl.stages.contract import Context
from benchctl.stages.kinds import KINDS
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import BY_NAME, Function
from benchctl.wire.framing import frame
from benchctl.wire.messages import Msg, encode

#: those that the whole run ends for, since something else hangs on the port: no stage could be right
OTHER_DEVICE = {"lies about itself", "another gadget"}
#: a pass would need right answers; before power is judged from what the operator types, not from the boards
ASKS_NO_BOARD = {"before_power"}
#: nothing is measured: what the craft says is confirmed already is not asked again
ASKED_BEFORE = {("outputs", temper) for temper in TEMPERS if temper.startswith("arms")}


@pytest.mark.parametrize("temper", TEMPERS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_verdict_and_one_sentence(kind: str, temper: str) -> None:
    """HostileBench raises when a stage needs more than an hour of bench time or spins without time passing."""
    ended = perform(kind, HostileBench(temper, seed=1))

    if isinstance(ended, str):
        assert temper in OTHER_DEVICE
        assert ended.startswith("fake: ")
        return
    if (kind, temper) in ASKED_BEFORE:
        assert ended.verdict is Verdict.PASS
        return
    assert ended.verdict in ((Verdict.FAIL,) if kind in ASKS_NO_BOARD else set(Verdict) - {Verdict.PASS})
    assert 10 < len(ended.reason) < 2000
    assert "\n" not in ended.reason
    assert "Traceback" not in ended.reason


@pytest.mark.parametrize("kind", ["identity", "transceiver", "radio_link", "supply"])
def test_answers_that_come_too_late(kind: str) -> None:
    """Each answer 0.4 s after its request, by when it has been given up: counted as stray, never taken for another."""
    bench = HostileBench("zeros", seed=1, delay=0.4)
    ended = perform(kind, bench)

    assert not isinstance(ended, str)
    assert ended.verdict in (Verdict.UNDECIDED, Verdict.FAIL, Verdict.NOT_RUN)
    assert sum(b.exchange.counts.stray_answers for b in bench.boards.values()) > 0


def test_absurd_answers_leave_a_note_of_the_place() -> None:
    """A stage whose arithmetic the answers break is undecided; the next one runs all the same."""

    def divides(ctx: Context) -> None:
        ctx.read("stack_free", 1 / ctx.board(Role.HAND).ask(msg.Clock()).sent)

    heard, procedure = Collected(), alone("identity")
    first, second = procedure.steps[0], replace(procedure.steps[0], name="next")
    steps = (replace(first, stage=replace(first.stage, perform=divides)), second)
    Runner(replace(procedure, steps=steps), HostileBench("zeros", seed=1), heard).run()

    ended = heard.of(StageEnded)
    assert ended[0].verdict is Verdict.UNDECIDED
    assert "cannot be worked out (ZeroDivisionError: division by zero)" in ended[0].reason
    assert any(n.text.startswith("given up at test_hostile_board:") for n in heard.of(Note))
    assert ended[1].stage == "next"


def test_a_flood_is_bounded_in_memory() -> None:
    """Events that nobody takes, of every kind and the largest size: the oldest go, and are counted."""
    bench, chance = FakeBench({Role.HAND: lambda asked: ()}), random.Random(1)
    board, port = bench.boards[Role.HAND], bench.ports[Role.HAND]
    scan = max((frame(body_of(BY_NAME["scan"], 1, anything, chance)) for _ in range(50)), key=len)
    few, most = MAX_EVENTS // 20, MAX_EVENTS + 5000
    tracemalloc.start()
    try:
        port.push(scan * few)
        bench.wait(0.1)
        board.poll()
        each = tracemalloc.get_traced_memory()[0] / few
    finally:
        tracemalloc.stop()
    for _ in range((most - few) // 1000):
        port.push(scan * 1000)
        bench.wait(0.1)
        board.poll()

    assert each * MAX_EVENTS < 120e6
    assert board.exchange.counts.overflowed == 5000
    assert len(board.events(msg.Scan)) == MAX_EVENTS


def test_a_flood_does_not_put_off_giving_up() -> None:
    """Requests end in their time while events pour in without end."""
    bench = HostileBench("silent", seed=1)
    port, board, chance = bench.ports[Role.HAND], bench.boards[Role.HAND], random.Random(2)
    kinds = [k for k in EVENTS if k.name not in ("boot", "done")]
    for i in range(20_000):
        port.push(frame(body_of(chance.choice(kinds), i & 0xFFFF, anything, chance)), delay=0.001 * i)

    with pytest.raises(NoAnswer, match="did not answer “clock”"):
        board.ask(msg.Clock())
    with pytest.raises(NoAnswer, match="sent no “done” within"):
        board.wait_done(msg.Droop, 0.5)
    assert bench.now() < 2.0


def test_ends_of_other_requests_do_not_put_off_giving_up() -> None:
    bench = HostileBench("silent", seed=1)
    port, board = bench.ports[Role.HAND], bench.boards[Role.HAND]
    for i in range(5000):
        other = {"what": BY_NAME["led"].number, "status": 0, "detail": 0}
        port.push(frame(encode(msg.Done(**other), i)), delay=0.001 * i)

    with pytest.raises(NoAnswer, match="did not end “droop”"):
        board.wait_done(msg.Droop, 1.0)
    assert bench.now() < 1.5


def test_a_board_that_only_ever_restarts_is_lost_not_waited_for() -> None:
    def again(asked: Msg) -> list[bytes]:
        return [frame(encode(msg.Boot(**BOOT), 0))]

    heard, bench = Collected(), FakeBench({Role.HAND: again, Role.CRAFT: again})
    Runner(alone("transceiver"), bench, heard).run()

    assert {e.role for e in heard.of(BoardLost)} == {Role.HAND, Role.CRAFT}
    assert heard.of(StageEnded)[0].verdict is Verdict.NOT_RUN
    assert bench.now() < 30


@pytest.mark.parametrize("data", [b"", b"\xff" * 60, b"\xff\xff"])
def test_settings_that_cannot_be_are_refused(data: bytes) -> None:
    """Too short, too wide, out of range: said in a sentence; a number of 60 bytes would make a stage wait for ever."""

    def odd(asked: Msg) -> list[bytes]:
        return [answer(asked, key=asked.key, data=data)]

    board = FakeBench({Role.HAND: odd}).boards[Role.HAND]

    with pytest.raises(BoardError, match="setting frame_us"):
        board.read_setting("frame_us")


def test_another_setting_than_asked_for_is_refused() -> None:
    board = FakeBench({Role.HAND: lambda asked: [answer(asked, key=asked.key + 1, data=b"\x10")]}).boards[Role.HAND]

    with pytest.raises(BoardError, match="pin of led"):
        board.read_pin(Function.LED)
    with pytest.raises(BoardError, match="kind of pulse output 2"):
        board.read_pulse_kind(2)


@pytest.mark.parametrize("temper", [temper for temper in TEMPERS if temper.startswith("arms")])
@pytest.mark.parametrize("kind", ["throttle_ramp", "link_loss_cut"])
def test_a_craft_that_arms_and_lies_about_the_rest_is_disarmed_at_the_end(kind: str, temper: str) -> None:
    """However the measurement ends: a stop is the last that its guard is asked, by the stage or by the bench."""
    bench = HostileBench(temper, seed=1)
    perform(kind, bench)

    asked = [m for m in bench.ports[Role.CRAFT].asked if isinstance(m, msg.Throttle | msg.Arm | msg.Stop)]
    assert any(isinstance(m, msg.Throttle) for m in asked)
    assert isinstance(asked[-1], msg.Stop) or bench.stops
    assert all(0 <= m.permille <= 200 for m in asked if isinstance(m, msg.Throttle))
