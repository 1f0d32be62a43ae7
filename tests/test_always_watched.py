"""The watch that every test is under notices what it is there for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import always_watched
import pytest
import watched_host
from helpers_bench import mudlark
from helpers_outputs import confirmed, wiring

from benchctl import events as ev
from benchctl.benchfile import parse
from benchctl.errors import Refused
from benchctl.relayed_bench import over_air
from benchctl.safety.attestation import STATEMENTS, VALID_S
from benchctl.sim.bench import SimBench
from benchctl.sim.guard import Guard
from benchctl.terms import Role
from benchctl.wire import msg

CRAFT = Role.CRAFT


@pytest.fixture
def confirmed_bench() -> SimBench:
    bench = SimBench(parse(confirmed(mudlark("[board.hand]\n[board.craft]\n")).encode()))
    bench.wait(0.5)
    return bench


@pytest.fixture
def bench() -> SimBench:
    bench = SimBench(parse(mudlark("[board.hand]\n[board.craft]\n").encode()))
    bench.wait(0.5)
    assert always_watched.complaints(set(), False) == []
    return bench


def found() -> str:
    return "\n".join(always_watched.complaints(set(), False))


def pulse(bench: SimBench, name: str, us: float) -> None:
    """One pulse on the pin, as a defect of the firmware would make it."""
    signal, now = bench.world.boards[CRAFT].outputs[name], bench.agenda.now
    bench.agenda.at(now + 0.003, lambda: signal.set(1.0, bench.agenda.now))
    bench.agenda.at(now + 0.003 + us * 1e-6, lambda: signal.set(0.0, bench.agenda.now))
    bench.wait(0.01)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda b: pulse(b, "pulse2", 1010), "at most 1000.0 us was allowed"),
        (lambda b: pulse(b, "pulse2", 1100), "a pulse that turns a motor, without a live throttle"),
        (lambda b: pulse(b, "pulse2", 700), "700.0 us, idle is 1000 us"),
        (lambda b: pulse(b, "pulse1", 300), "a servo driven past its end points"),
        (lambda b: pulse(b, "pulse1", 2600), "2600.0 us on a servo's output"),
        (lambda b: b.world.boards[CRAFT].outputs["pulse1"].set(1.0, b.agenda.now - 0.01), "high since"),
        (lambda b: [pulse(b, "pulse2", 1000) for _ in range(8)], "pulses every"),
    ],
)
def test_wrong_pulses(bench: SimBench, wrong: Callable[[SimBench], object], said: str) -> None:
    """Too wide, too narrow, stuck, too often."""
    # the ordinary idle pulses are kept out of the way
    bench.chips[CRAFT].probe.later = lambda *_: None  # type: ignore[union-attr, method-assign]
    while bench.world.boards[CRAFT].outputs["pulse2"].level:
        bench.wait(0.001)
    wrong(bench)
    assert said in found()


SOFT = """name = "soft"
[pair]
from = "mudlark"
[pair.board.craft.pins]
pulse2 = "D5"
pulse3 = "A1"
[pair.board.craft.output.pulse3]
drives = "servo"
[board.hand]
[board.craft]
outputs_confirmed = true
"""


@pytest.mark.parametrize(("us", "beside_us", "wrong"), [(1010, None, False), (1020, None, True), (1050, 1000, False),
                                                        (1050, 700, True), (1080, 1000, True)])  # fmt: skip
def test_a_pin_that_an_interrupt_switches(us: float, beside_us: float | None, wrong: bool) -> None:
    """12 µs late at most, 65 µs where another such pin's edge holds it up; beside_us: that edge, from the rise on."""
    bench = SimBench(parse(SOFT.encode()))
    bench.wait(0.5)
    assert found() == ""
    bench.chips[CRAFT].probe.later = lambda *_: None  # type: ignore[union-attr, method-assign]
    bench.wait(0.03)
    if beside_us is not None:
        signal, at = bench.world.boards[CRAFT].outputs["pulse3"], bench.agenda.now + 0.003 + beside_us * 1e-6
        bench.agenda.at(at - 1.5e-3, lambda: signal.set(1.0, bench.agenda.now))
        bench.agenda.at(at, lambda: signal.set(0.0, bench.agenda.now))
    pulse(bench, "pulse2", us)
    assert ("at most 1000.0 us was allowed" in found()) == wrong


def armed(bench: SimBench, cap: int = 200, radio: int = 0) -> Any:
    """The craft, armed by raw requests."""
    board = bench.boards[CRAFT]
    board.open()
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=radio)).nonce
    board.ask(msg.Arm(channel=2, nonce=nonce, label=board.identity.label, cap_permille=cap))
    return board


def stated(bench: SimBench, *left_out: str, answer: str = "heron", t: float | None = None) -> watched_host.Stated:
    """A run in which all was stated but what is left out."""
    now = bench.agenda.now if t is None else t
    run = watched_host.Stated(bench.world, bench.agenda.now)
    for s in STATEMENTS:
        if s.name not in left_out:
            run.heard(ev.Attestation(now, "ramp", s.name, s.text, "heron", answer, True, now + VALID_S))
    watched_host.RUNS.append(run)
    return run


def test_armed_with_all_that_has_to_be_stated(confirmed_bench: SimBench) -> None:
    run = stated(confirmed_bench)
    armed(confirmed_bench)
    run.ended = confirmed_bench.agenda.now
    assert found() == ""


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"left_out": ["eyes_protected"]}, "Everyone near wears eye protection"),
        ({"answer": ""}, "nobody had stated"),
        ({"answer": "yes"}, "nobody had stated"),
        ({"t": -VALID_S}, "nobody had stated"),
        ({"cap": 300}, "may go above 20 %"),
        ({"restart": True}, "nobody had stated"),
        ({"stopped": True}, "after the stop"),
    ],
)
def test_armed_without(confirmed_bench: SimBench, how: dict[str, Any], said: str) -> None:
    """A statement is missing, was not typed, has expired, is void; or the run has been stopped."""
    bench = confirmed_bench
    more = {key: how[key] for key in ("answer", "t") if key in how}
    run = stated(bench, *how.get("left_out", ()), **more)
    if "restart" in how:
        bench.world.allowances[Role.HAND].restarted(bench.agenda.now + 0.01)
        bench.wait(2.0)
    if "stopped" in how:
        run.heard(ev.StopPressed(bench.agenda.now, "key", (), ()))
        bench.wait(0.01)
    armed(bench, how.get("cap", 200))
    run.ended = bench.agenda.now
    assert said in found()


def test_wiring_opened_with_nobody_having_stated_that_the_battery_is_off(bench: SimBench) -> None:
    run = stated(bench)
    board = bench.boards[CRAFT]
    board.open()
    with wiring(board):
        pass
    run.ended = bench.agenda.now
    assert "its wiring opened" in found()


def test_a_live_motor_without_control_packets(confirmed_bench: SimBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The radio was asked for as a condition, no packet ever came, and the pulse rises for longer than the silence."""
    bench = confirmed_bench
    challenge = Guard.challenge
    monkeypatch.setattr(Guard, "challenge", lambda self, c, radio, *rest: challenge(self, c, False, *rest))
    board = armed(bench, radio=1)
    for number in range(1, 12):
        board.ask(msg.Throttle(channel=2, permille=100, number=number))
        bench.wait(0.05)
    assert "no control packet for" in found()


def test_a_stop_that_is_lost(bench: SimBench) -> None:
    """It is said to have gone out, and never comes to the craft."""
    bench.ports[CRAFT].urgent = lambda data: True  # type: ignore[method-assign]
    bench.stop_all()
    bench.wait(0.1)
    assert "did not reach the craft board" in found()


def test_a_stop_that_leaves_a_board_out(bench: SimBench) -> None:
    """A board with a cable and a supply is not told, and that is said."""
    bench.ports[CRAFT].urgent = lambda data: False  # type: ignore[method-assign]
    bench.stop_all()
    bench.wait(0.1)
    assert "is said not to have reached the craft board" in found()


def test_a_stop_that_is_heard(bench: SimBench) -> None:
    """All boards, within their time."""
    bench.stop_all()
    bench.wait(0.1)
    assert found() == ""
    heard = [bench.world.allowances[role].stops for role in (Role.HAND, CRAFT)]
    assert all(heard)


# ---------------------------------------------------------------------- over the air


@pytest.fixture
def far() -> Any:
    """A craft without a cable, and its hand unit that relays; both have been identified."""
    bench: Any = over_air(SimBench(spec := parse(FAR.encode())), spec)
    for board in bench.boards.values():
        board.open()
        board.identify()
    yield bench
    bench.close()


FAR = """name = "far"
pair = "mudlark"
[board.hand]
[board.craft]
via = "hand"
outputs_confirmed = true
"""


def test_a_stop_over_the_air_is_followed(far: Any) -> None:
    far.wait(0.1)
    far.stop_all()
    far.under.wait(0.3)
    assert found() == ""
    assert far.under.world.allowances[CRAFT].stops


def test_a_stop_over_the_air_that_is_lost(far: Any) -> None:
    """The relaying board is told, and sends nothing."""
    far.wait(0.1)
    far.boards[CRAFT].port.urgent = lambda data: True
    far.stop_all()
    far.under.wait(0.3)
    assert "did not reach the craft board over the air" in found()


def test_a_stop_that_leaves_a_far_board_out(far: Any) -> None:
    far.wait(0.1)
    far.boards[CRAFT].port.urgent = lambda data: False
    far.stop_all()
    far.under.wait(0.3)
    assert "is said not to have gone to the craft board over the air" in found()


def test_what_is_written_over_the_air_is_followed(far: Any) -> None:
    """An ordinary setting counts, one that decides what outputs can emit does not, whatever the board would answer."""
    allowed = far.under.world.allowances[CRAFT]
    before = allowed.number("idle_us")
    far.boards[CRAFT].write_setting("radio_channel", 33)
    with pytest.raises(Refused):
        far.boards[CRAFT].write_setting("idle_us", 1200)
    assert allowed.number("radio_channel") == 33
    assert allowed.number("idle_us") == before
