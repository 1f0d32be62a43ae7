"""A board session answers, repeats, gives up and notices restarts, all in bench time."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import pytest
from helpers import BOOT, IDENTIFY, FakeBench, answer, event, refusal
from hypothesis import given
from hypothesis import strategies as st

from benchctl.errors import NoAnswer, PortLost, Refused, Restarted, Stopped, WrongDevice
from benchctl.session.board import ANSWER_S, BOOT_S, REPEATS, Board
from benchctl.session.exchange import MAX_EVENTS, Exchange
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import PROTOCOL, Error
from benchctl.wire.framing import frame
from benchctl.wire.messages import Msg, encode


def board_of(bench: FakeBench) -> Board:
    return bench.boards[Role.HAND]


def friendly(asked: Msg) -> Iterable[bytes]:
    if isinstance(asked, msg.Identify):
        yield answer(asked, **IDENTIFY)
    elif isinstance(asked, msg.Clock):
        yield answer(asked, received=10, sent=20)
    elif isinstance(asked, msg.Echo):
        yield answer(asked, data=asked.data)


def test_ask_returns_the_answer() -> None:
    board = board_of(FakeBench({Role.HAND: friendly}))

    assert board.ask(msg.Clock()).sent == 20
    assert board.ask(msg.Echo(data=b"\x00\xff")).data == b"\x00\xff"


def test_silence_is_repeated_then_given_up() -> None:
    """An idempotent request is sent again REPEATS times, each after the time-out, then NoAnswer."""
    bench = FakeBench({Role.HAND: lambda asked: ()})

    with pytest.raises(NoAnswer, match="did not answer “clock”"):
        board_of(bench).ask(msg.Clock())
    assert len(bench.ports[Role.HAND].asked) == 1 + REPEATS == 4
    assert bench.now() == pytest.approx((1 + REPEATS) * ANSWER_S)


def test_what_moves_things_is_never_repeated() -> None:
    bench = FakeBench({Role.HAND: lambda asked: ()})

    with pytest.raises(NoAnswer):
        board_of(bench).ask(msg.Throttle(channel=2, permille=100, number=1))
    assert len(bench.ports[Role.HAND].asked) == 1


def test_an_answer_to_the_second_try_counts() -> None:
    tries = []

    def deaf_at_first(asked: Msg) -> Iterable[bytes]:
        tries.append(asked.sequence)
        return friendly(asked) if len(tries) > 1 else ()

    board = board_of(FakeBench({Role.HAND: deaf_at_first}))

    assert board.ask(msg.Clock()).sent == 20
    assert len(set(tries)) == 1
    assert board.exchange.counts.repeats == 1


def test_refusal_is_an_exception_with_its_code() -> None:
    board = board_of(FakeBench({Role.HAND: lambda asked: [refusal(asked, Error.GUARDED)]}))

    with pytest.raises(Refused, match="guarded") as caught:
        board.ask(msg.Pulse(channel=2, width_us=1500))
    assert caught.value.code == "guarded"


def test_wrong_late_duplicate_and_unasked_answers_are_counted() -> None:
    """Only the answer with the right number and kind counts; the rest is counted and harmless."""

    def confused(asked: Msg) -> Iterable[bytes]:
        yield frame(encode(msg.ClockAnswer(received=1, sent=1), asked.sequence + 7))
        yield frame(encode(msg.StopAnswer(state=0), asked.sequence))
        yield from friendly(asked)
        yield from friendly(asked)

    board = board_of(FakeBench({Role.HAND: confused}))

    assert board.ask(msg.Clock()).sent == 20
    assert board.ask(msg.Clock()).sent == 20
    assert board.exchange.counts.stray_answers >= 5


def test_unasked_restart_interrupts_and_is_told() -> None:
    bench = FakeBench({Role.HAND: lambda asked: [event(msg.Boot(**BOOT), 0)]})
    board, heard = board_of(bench), []
    board.on_restart = lambda boot, asked: heard.append((boot.cause, asked))

    with pytest.raises(Restarted, match="brown-out") as caught:
        board.ask(msg.Clock())
    assert caught.value.cause == "brown-out"
    assert heard == [(3, False)]
    assert board.restarts == 1


def test_asked_restart_is_no_error() -> None:
    bench = FakeBench({Role.HAND: friendly})
    board, heard = board_of(bench), []
    board.on_restart = lambda boot, asked: heard.append(asked)

    assert board.reset_by_line().cause == BOOT["cause"]
    assert heard == [True]
    assert board.ask(msg.Clock()).sent == 20


def test_open_waits_out_a_boot_loader() -> None:
    """A board that is deaf for two seconds after opening is waited for."""
    bench = FakeBench({Role.HAND: friendly})
    bench.ports[Role.HAND].script = lambda asked: friendly(asked) if bench.now() > 2.0 else ()

    assert board_of(bench).open().label == "mudlark-hand-01"
    assert 2.0 < bench.now() < BOOT_S + 1


def test_open_names_a_silent_port() -> None:
    with pytest.raises(NoAnswer, match="nothing came from the hand board"):
        board_of(FakeBench({Role.HAND: lambda asked: ()})).open()


def test_open_names_a_port_that_sends_noise() -> None:
    """A port that talks but sends no frame of ours is another device, said in one sentence."""
    with pytest.raises(WrongDevice, match="no frame of ours"):
        board_of(FakeBench({Role.HAND: lambda asked: [b"Temperature 21.5 C\r\n\x00" * 3]})).open()


@pytest.mark.parametrize(("protocol", "todo"), [(PROTOCOL - 1, "flash it"), (PROTOCOL + 1, "update benchctl")])
def test_other_protocol_is_refused_with_what_to_do(protocol: int, todo: str) -> None:
    bench = FakeBench({Role.HAND: lambda asked: [answer(asked, **{**IDENTIFY, "protocol": protocol})]})

    with pytest.raises(WrongDevice, match=todo):
        board_of(bench).open()


def test_lost_port_ends_a_request_at_once() -> None:
    bench = FakeBench({Role.HAND: friendly})
    bench.ports[Role.HAND].lost = True

    with pytest.raises(PortLost):
        board_of(bench).ask(msg.Clock())


def test_stop_ends_a_request_at_once() -> None:
    bench = FakeBench({Role.HAND: lambda asked: ()})
    bench.halted = True

    with pytest.raises(Stopped):
        board_of(bench).ask(msg.Clock())


def test_events_are_kept_by_kind_and_gaps_counted() -> None:
    bench = FakeBench({Role.HAND: friendly})
    port = bench.ports[Role.HAND]
    for number in (0, 1, 2, 5):
        port.push(event(msg.Captured(rows=[(number, 3000)]), number))
    port.push(event(msg.Edges(rows=[(9, 1)], function=1), 6))
    board = board_of(bench)
    bench.wait(0.1)

    assert [e.rows[0][0] for e in board.events(msg.Captured)] == [0, 1, 2, 5]
    assert board.exchange.counts.lost_events == 2
    assert board.wait_event(msg.Edges, 0.1).function == 1
    with pytest.raises(NoAnswer, match="no “edges”"):
        board.wait_event(msg.Edges, 0.1)


def test_a_flood_of_events_is_bounded() -> None:
    """Events nobody takes do not fill memory; the newest are kept and the loss is counted."""
    exchange = Exchange()
    wire = event(msg.Captured(rows=[(1, 2)]), 0)
    for _ in range(0, MAX_EVENTS + 5000, 5000):
        exchange.feed(wire * 5000)

    assert len(exchange.take_events()) == MAX_EVENTS
    assert exchange.counts.overflowed == 5000


@given(st.lists(st.binary(min_size=3, max_size=60), max_size=20))
def test_any_bodies_never_raise(bodies: list[bytes]) -> None:
    """Right frames with any contents, while a request is open: counted, never raised."""
    exchange = Exchange()
    exchange.ask(msg.Clock(), 0.0, 1.0, 0)
    for body in bodies:
        exchange.feed(frame(body))
    exchange.take_answer()
    exchange.take_events()


def test_settings_are_written_as_wide_as_they_are() -> None:
    store: dict[int, bytes] = {}

    def keep(asked: Msg) -> Iterable[bytes]:
        if isinstance(asked, msg.SettingWrite):
            store[asked.key] = asked.data
            yield answer(asked)
        elif isinstance(asked, msg.SettingRead):
            yield answer(asked, key=asked.key, data=store[asked.key])

    board = board_of(FakeBench({Role.HAND: keep}))
    board.write_setting("silence_ms", 300)
    board.write_setting("label", "mudlark-hand-02")

    assert store[11] == b"\x2c\x01"
    assert store[1] == b"mudlark-hand-02\0"
    assert board.read_setting("silence_ms") == 300
    assert board.read_setting("label") == "mudlark-hand-02"
    with pytest.raises(ValueError, match="not between"):
        board.write_setting("silence_ms", 1)
    with pytest.raises(ValueError, match="16 bytes"):
        board.write_setting("label", "a label that is far too long")


def test_what_a_board_is_declared_as() -> None:
    told = OwnerWiring(label="mudlark-hand-01")

    assert FakeBench({Role.HAND: friendly}, told).boards[Role.HAND].wiring is told
    assert board_of(FakeBench({Role.HAND: friendly})).wiring == OwnerWiring()


def test_a_silent_board_is_given_up_after_three_seconds() -> None:
    """Common boot loaders wait up to 2 s; a request that was under way at the end is waited for."""
    bench = FakeBench({Role.HAND: lambda asked: ()})
    with pytest.raises(NoAnswer):
        board_of(bench).open()

    assert 3.0 <= bench.now() < 3.9


def test_a_check_takes_in_what_came_and_tells_a_loss_or_a_restart() -> None:
    bench = FakeBench({Role.HAND: friendly})
    board, port = board_of(bench), bench.ports[Role.HAND]
    board.check()
    port.push(event(msg.Captured(rows=[(1, 3000)]), 0))
    port.push(event(msg.Boot(**BOOT), 0))
    bench.wait(0.1)

    with pytest.raises(Restarted, match="brown-out"):
        board.check()
    board.check()
    assert len(board.events(msg.Captured)) == 1
    port.lost = True
    with pytest.raises(PortLost):
        board.check()


def test_a_board_is_made_quiet_whatever_it_was_doing() -> None:
    """Outputs first. A board that does not know a request, or answers late, is no reason to leave out the next."""

    def script(asked: Msg) -> Iterable[bytes]:
        if isinstance(asked, msg.LoopStop):
            return [refusal(asked, Error.UNKNOWN)]
        counts = ("sent", "delivered", "received", "dropped", "late")
        fields = {"state": 0} if isinstance(asked, msg.Stop) else dict.fromkeys(counts, 0)
        return [answer(asked, **fields)]

    bench = FakeBench({Role.HAND: script})
    bench.ports[Role.HAND].delay = 0.9
    board_of(bench).quiet()

    assert [m.NAME for m in bench.ports[Role.HAND].asked] == ["stop", "loop_stop", "link_stop"]
    silent = FakeBench({Role.HAND: lambda asked: ()})
    with pytest.raises(NoAnswer):
        board_of(silent).quiet()
    assert silent.now() == pytest.approx(4.0)  # four tries of a second


def test_saving_may_take_long() -> None:
    """Every byte anew takes the EEPROM a second and more; it is not asked a second time meanwhile."""
    bench = FakeBench({Role.HAND: lambda asked: [answer(asked, written=300)]})
    bench.ports[Role.HAND].delay = 1.8
    board_of(bench).save_settings()

    assert len(bench.ports[Role.HAND].asked) == 1
    silent = FakeBench({Role.HAND: lambda asked: ()})
    with pytest.raises(NoAnswer):
        board_of(silent).save_settings()
    assert silent.now() == pytest.approx(8.0)  # four tries of two seconds


def test_fields_named_like_our_own_keywords() -> None:
    bench = FakeBench({Role.HAND: lambda asked: [answer(asked)]})
    fields = {"load": 1, "source": 0, "first_us": 40, "step_us": 10, "points": 40, "settle_ms": 4, "prescaler": 4}
    board_of(bench).ask(msg.Droop(repeats=7, **fields))

    assert bench.ports[Role.HAND].asked[0].fields == {**fields, "repeats": 7}


def test_who_waits_long_is_told_a_few_times_a_second() -> None:
    """Nothing comes for two seconds, then one event of another kind, then the one."""
    bench = FakeBench({Role.HAND: friendly})
    port, looks = bench.ports[Role.HAND], []
    port.push(event(msg.Edges(rows=[(9, 1)], function=1), 0), 2.0)
    port.push(event(msg.Captured(rows=[(1, 3000)]), 1), 2.1)
    board_of(bench).wait_event(msg.Captured, 5.0, lambda: looks.append(bench.now()))

    assert bench.now() == pytest.approx(2.1)
    assert 8 <= len(looks) <= 14
    assert max(b - a for a, b in pairwise(looks)) <= 0.21


def test_other_events_do_not_put_off_a_time_out() -> None:
    """An event of another kind at the last moment is not the end of the wait, nor its prolongation."""
    bench = FakeBench({Role.HAND: friendly})
    for n in range(40):
        bench.ports[Role.HAND].push(event(msg.Edges(rows=[(9, 1)], function=1), n), 0.1 * (n + 1))
    with pytest.raises(NoAnswer):
        board_of(bench).wait_event(msg.Captured, 1.05)

    assert 1.05 <= bench.now() <= 1.11


def test_events_are_handed_over_once() -> None:
    exchange = Exchange()
    exchange.feed(event(msg.Captured(rows=[(1, 3000)]), 0))

    assert len(exchange.take_events()) == 1
    assert exchange.take_events() == []


def test_a_board_that_has_restarted_is_asked_nothing() -> None:
    """What has come is looked at first: a request may move something."""
    bench = FakeBench({Role.HAND: friendly})
    port = bench.ports[Role.HAND]
    port.push(event(msg.Boot(**BOOT), 0))
    bench.wait(0.1)

    with pytest.raises(Restarted):
        board_of(bench).ask(msg.Clock())
    assert port.asked == []


def test_who_it_is_is_asked_twice() -> None:
    """One frame may get lost; a longer silence is for the caller to judge."""
    tries: list[Msg] = []

    def deaf_once(asked: Msg) -> Iterable[bytes]:
        tries.append(asked)
        return friendly(asked) if len(tries) == 2 else ()

    assert board_of(FakeBench({Role.HAND: deaf_once})).identify().label == "mudlark-hand-01"
    assert len(tries) == 2
    with pytest.raises(NoAnswer):
        board_of(FakeBench({Role.HAND: deaf_once})).identify()
    assert len(tries) == 4


def test_a_board_that_never_comes_back_from_a_restart() -> None:
    """Old boot loaders leave the watchdog running; the sentence says what to do."""
    bench = FakeBench({Role.HAND: lambda asked: [answer(asked)]})

    with pytest.raises(NoAnswer, match="switch its supply off and on") as told:
        board_of(bench).restart()
    assert "no “boot” within 3 s" in str(told.value)
    assert board_of(bench).expects_restart is False


def test_what_comes_at_the_last_moment_counts() -> None:
    """The wait is over, but the event lies there unread."""
    bench = FakeBench({Role.HAND: friendly})

    def over(deadline: float) -> bool:
        bench.time = deadline
        bench.ports[Role.HAND].push(event(msg.Captured(rows=[(1, 3000)]), 0), 0.0)
        return False

    bench.wait_input = over  # type: ignore[method-assign]

    assert board_of(bench).wait_event(msg.Captured, 0.5).rows == ((1, 3000),)


def test_a_restart_by_the_opening_is_no_error() -> None:
    """The first request may meet the board's start; its boot message is what comes, and the next one is answered."""

    def starts(asked: Msg) -> Iterable[bytes]:
        port = bench.ports[Role.HAND]
        return [event(msg.Boot(**BOOT), 0)] if len(port.asked) == 1 else friendly(asked)

    bench = FakeBench({Role.HAND: starts})
    board, heard = board_of(bench), []
    board.on_restart = lambda boot, asked: heard.append(asked)

    assert board.open().label == "mudlark-hand-01"
    assert heard == [True]


def test_no_more_tries_once_the_time_is_up(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = FakeBench({Role.HAND: lambda asked: ()})
    board, tries = board_of(bench), []

    def late() -> None:
        tries.append(bench.time)
        bench.time = BOOT_S
        raise NoAnswer("late")

    monkeypatch.setattr(board, "identify", late)
    with pytest.raises(NoAnswer):
        board.open()

    assert tries == [0.0]


def test_a_restart_on_request_is_not_taken_for_an_earlier_one() -> None:
    bench = FakeBench({Role.HAND: friendly})
    board, port = board_of(bench), bench.ports[Role.HAND]
    port.push(event(msg.Boot(**BOOT), 0))
    bench.wait(0.1)
    board.poll()
    board.clear_restart()
    port.reset = lambda: port.push(event(msg.Boot(**{**BOOT, "cause": 5}), 0))  # type: ignore[method-assign]

    assert board.reset_by_line().cause == 5


def test_a_restart_ends_the_wait_for_an_event() -> None:
    """What was waited for will not come any more."""
    bench = FakeBench({Role.HAND: friendly})
    bench.ports[Role.HAND].push(event(msg.Boot(**BOOT), 0), 0.1)

    with pytest.raises(Restarted, match="brown-out"):
        board_of(bench).wait_event(msg.Captured, 5.0)
    assert bench.now() == pytest.approx(0.1)


def test_dropped_events_are_of_the_kinds_named() -> None:
    bench = FakeBench({Role.HAND: friendly})
    board, port = board_of(bench), bench.ports[Role.HAND]
    for number, one in enumerate((msg.Captured(rows=[(1, 2)]), msg.Done(what=1, status=0, detail=0))):
        port.push(event(one, number), 0.0)
    board.drop_events(msg.Captured)

    assert board.events(msg.Captured) == []
    assert len(board.events(msg.Done)) == 1
