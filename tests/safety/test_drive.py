"""The host's side of driving a motor controller, on the modelled bench: what is asked, refused and said."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from helpers_outputs import PAIR, settle

from benchctl import events as ev
from benchctl.benches import open_bench
from benchctl.errors import NoAnswer, OperatorAbsent, PortLost, UsageError
from benchctl.operators import FileOperator, NoOperator
from benchctl.procedure.file import load
from benchctl.procedure.runner import Runner
from benchctl.safety.attestation import HIGHER_CAP, STATEMENTS, USUAL_CAP, VALID_S
from benchctl.safety.attesting import SLIP, TRIES, attest_all, attest_off
from benchctl.safety.drive import Drive, GuardDropped, Locked
from benchctl.safety.interlock import Interlock, State
from benchctl.safety.stop import COPIES, FULL, STOP_FRAME, stop_ports
from benchctl.safety.wiring import Wiring
from benchctl.session.port import Reach
from benchctl.shipped import procedure
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardState
from benchctl.wire.framing import Deframer
from benchctl.wire.messages import decode_all

CHANNEL = 2


class StageAccess(Context):
    """A stage's hands on the healthy sim pair, and what they said."""

    def __init__(self, cap: float = 0.2) -> None:
        self.said: list[Any] = []
        bench: Any = open_bench(PAIR, seed=5)
        bench.boards[Role.CRAFT].open()
        if cap > USUAL_CAP:
            settle(bench.boards[Role.CRAFT], 2, cap_permille=300)
        super().__init__("ramp", bench, {}, {}, self.said.append, interlock=Interlock(cap))
        self.craft = self.board(Role.CRAFT)
        self.esc: Any = bench.world.boards[Role.CRAFT].escs["pulse2"]

    def of(self, kind: type) -> list[Any]:
        return [e for e in self.said if isinstance(e, kind)]


@pytest.fixture
def access() -> Iterator[Callable[..., StageAccess]]:
    made: list[StageAccess] = []

    def make(cap: float = 0.2) -> StageAccess:
        made.append(StageAccess(cap))
        return made[-1]

    yield make
    for one in made:
        one.bench.close()


def ready(access: StageAccess) -> Drive:
    assert attest_all(access, access.interlock) == ""
    drive = Drive(access, access.interlock, Role.CRAFT, CHANNEL)
    drive.arm()
    return drive


# ---------------------------------------------------------------------- attestations


def test_every_statement_is_asked_with_a_word_and_logged(access) -> None:
    h = access()

    assert attest_all(h, h.interlock) == ""
    given = h.of(ev.Attestation)
    assert [a.what for a in given] == [s.name for s in STATEMENTS]
    assert all(a.accepted and a.answer == a.challenge and a.expires == pytest.approx(a.t + VALID_S) for a in given)
    assert len([n for n in h.of(ev.Note) if n.level == "caution"]) >= 5


class Typist(NoOperator):
    """Types what it was told, one after the other; `right` stands for the word."""

    by = "person"

    def __init__(self, *types: str) -> None:
        self.types, self.asked = list(types), 0

    def answer_nowait(self, prompt: Any) -> str:
        self.asked += 1
        word = prompt.text.split('"')[1]
        return self.types.pop(0).replace("right", word)


@pytest.mark.parametrize(
    ("types", "asked", "given"),
    [
        (("right",), 1, True),
        (("  right ",), 1, True),
        (("rihgt", "right"), 2, True),
        (("rihgt", "", "yes", "right"), 4, True),
        (("rihgt", "", "no"), 3, False),
        (("rihgt", "  ", "No "), 3, False),
        (("n", "no"), 2, False),
        (("not", "nothing", "no"), 3, False),
        (("No",), 1, False),
        ((" ", "no"), 2, False),
    ],
)
def test_a_slip_is_asked_again_only_no_is_a_no(access, types, asked: int, given: bool) -> None:
    """The screen says that it was not the word, and shows another one; a blank neither attests nor refuses."""
    h = access()
    h.bench.operator = typist = Typist(*types, *["no"] * 9)
    attest_all(h, h.interlock)
    first = [a for a in h.of(ev.Attestation) if a.what == STATEMENTS[0].name]
    prompts = [p.text for p in h.of(ev.Prompt)][:asked]

    assert [a.accepted for a in first] == [given]
    assert h.interlock.valid(STATEMENTS[0].name, h.now()) == given
    assert typist.asked == asked + given
    assert [p.startswith(SLIP) for p in prompts] == [False] + [True] * (asked - 1)


def test_who_never_types_the_word_has_attested_nothing(access) -> None:
    h = access()
    h.bench.operator = typist = Typist(*["word"] * 99)

    assert attest_all(h, h.interlock) == f"not attested: {STATEMENTS[0].text}"
    assert typist.asked == TRIES


def test_within_a_stage_all_is_attested_anew_on_one_screen_with_one_word(access) -> None:
    """No statement is left out, and each is valid as long as if it had been asked for alone."""
    h = access()
    h.bench.operator = typist = Typist("rihgt", "right")

    assert attest_all(h, h.interlock, again=True) == ""
    assert typist.asked == 2
    assert all(s.text in p.text for p in h.of(ev.Prompt) for s in STATEMENTS)
    given = h.of(ev.Attestation)
    assert [(a.what, a.accepted, a.expires - a.t) for a in given] == [(s.name, True, VALID_S) for s in STATEMENTS]
    assert len({a.challenge for a in given}) == 1
    assert not h.interlock.obstacles(Role.CRAFT, h.now())[1:]  # but that idle has not been seen

    h.interlock.lapse()
    h.bench.operator = Typist("no")
    why = attest_all(h, h.interlock, again=True)
    assert all(s.text in why for s in STATEMENTS)
    assert not any(h.interlock.valid(s.name, h.now()) for s in STATEMENTS)


@pytest.mark.parametrize("answer", ["no", "yes", "", "ok", "   ", '"'])
def test_another_answer_than_the_word_attests_nothing(access, answer: str) -> None:
    h = access()

    class Person(NoOperator):
        by = "person"

        def answer_nowait(self, prompt: Any) -> str:
            return answer

    h.bench.operator = Person()

    assert attest_all(h, h.interlock) == f"not attested: {STATEMENTS[0].text}"
    assert not h.interlock.valid(STATEMENTS[0].name, h.now())
    assert not any(a.accepted for a in h.of(ev.Attestation))


@pytest.mark.parametrize("operator", [NoOperator(), FileOperator({"ramp": {"attest": ["heron"] * 20}})])
def test_nobody_and_no_file_can_attest(access, operator: Any) -> None:
    h = access()
    h.bench.operator = operator

    assert attest_all(h, h.interlock).startswith("not attested")


def test_what_is_still_valid_is_not_asked_again(access) -> None:
    h = access()
    attest_all(h, h.interlock)
    h.said.clear()
    assert attest_all(h, h.interlock) == ""
    assert not h.of(ev.Prompt)

    h.wait(VALID_S)
    attest_all(h, h.interlock)
    assert len(h.of(ev.Attestation)) == len(STATEMENTS)


def test_more_than_the_usual_cap_asks_for_one_statement_more(access) -> None:
    h = access(0.3)
    attest_all(h, h.interlock)

    assert [a.what for a in h.of(ev.Attestation)][-1] == HIGHER_CAP.name
    with pytest.raises(ValueError, match="at most 30 %"):
        Interlock(0.31)


# ---------------------------------------------------------------------- driving


def test_the_whole_way(access) -> None:
    h = access(0.25)
    drive = ready(h)
    drive.hold_throttle(250, 1.6)

    assert max(w for _, w in h.esc.above_idle) == pytest.approx(1250, abs=2)
    drive.disarm()
    end = h.now()
    h.wait(0.3)
    assert h.esc.above_idle[-1][0] <= end + 0.02
    assert [e.live for e in h.of(ev.OutputsLive)] == [True, False]
    assert h.of(ev.OutputsLive)[0].cap == 0.25


def test_without_attestations_nothing_is_asked_of_the_board(access) -> None:
    h = access()
    drive = Drive(h, h.interlock, Role.CRAFT, CHANNEL)
    with pytest.raises(Locked, match="not attested"):
        drive.arm()
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE
    assert not h.of(ev.OutputsLive)


def test_the_cap_goes_to_the_board_before_arming(access) -> None:
    h = access(0.1)
    drive = ready(h)
    assert h.craft.ask(msg.GuardRead()).cap_permille == 100
    drive.throttle(100)
    with pytest.raises(Locked, match="above the cap"):
        drive.throttle(101)


def test_a_board_whose_guard_is_not_idle_is_not_armed(access) -> None:
    h = access()
    ready(h)
    h.interlock.disarm()
    drive = Drive(h, h.interlock, Role.CRAFT, CHANNEL)
    h.craft.ask(msg.Throttle(channel=CHANNEL, permille=0, number=100))
    h.craft.write_setting = lambda name, value: None  # type: ignore[method-assign]

    with pytest.raises(Locked, match="not been seen idle"):
        drive.arm()


def test_a_guard_that_went_idle_is_noticed_and_everything_starts_over(access) -> None:
    h = access()
    drive = ready(h)
    drive.throttle(50)
    h.craft.ask(msg.Stop(silent=0))

    with pytest.raises(GuardDropped, match="stopped"):
        drive.throttle(50)
    assert h.interlock.state is State.SAFE
    assert not h.of(ev.OutputsLive)[-1].live
    with pytest.raises(Locked, match="not attested"):
        drive.throttle(50)


def test_expired_attestations_end_the_keep_alive(access) -> None:
    h = access()
    attest_all(h, h.interlock)
    first = min(a.t for a in h.of(ev.Attestation))
    h.wait(first + VALID_S - 1.0 - h.now())
    drive = ready(h)
    with pytest.raises(Locked, match="10 minutes"):
        drive.hold_throttle(20, 5.0)
    assert first + VALID_S <= h.now() < first + VALID_S + 0.1
    h.wait(0.3)
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE


def test_a_throttle_request_is_never_repeated_by_itself(access) -> None:
    """A late answer must not double a request: its number would end it, and time would be lost."""
    h = access()
    drive = ready(h)
    h.bench.ports[Role.CRAFT].plugged = True
    h.bench.chips[Role.CRAFT].hang()
    before = h.craft.exchange.counts.repeats
    with pytest.raises(NoAnswer):
        drive.throttle(50)
    assert h.craft.exchange.counts.repeats == before


def test_disarming_is_asked_of_the_board(access) -> None:
    h = access()
    drive = ready(h)
    drive.hold_throttle(100, 0.3)
    drive.disarm()
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE
    assert h.interlock.state is State.SAFE


def test_wrong_answers_are_refused_by_the_healthy_board(access) -> None:
    h = access()
    attest_all(h, h.interlock)
    assert Drive(h, h.interlock, Role.CRAFT, CHANNEL).refuses_wrong_nonce()
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE


# ---------------------------------------------------------------------- stops, restarts


class Recorder:
    """A port that notes what it is given, or is gone."""

    def __init__(self, name: str, gone: bool = False, full: bool = False) -> None:
        self.name, self.gone, self.full = name, gone, full
        self.given: list[bytes] = []

    def urgent(self, data: bytes) -> bool:
        if self.gone:
            raise PortLost(f"{self.name}: the port is gone")
        self.given.append(data)
        return not self.full


def test_a_lost_port_does_not_keep_the_others_from_their_stop() -> None:
    ports: Any = {Role.HAND: Recorder("a", gone=True), Role.CRAFT: Recorder("b", full=True), Role.GAUGE: Recorder("c")}

    assert stop_ports(ports) == Reach((Role.GAUGE,), {Role.HAND: "a: the port is gone", Role.CRAFT: FULL})
    assert [p.given for p in ports.values()] == [[], [STOP_FRAME * COPIES], [STOP_FRAME * COPIES]]


def test_two_damaged_copies_of_a_stop_leave_one_and_its_answer_is_nobodys() -> None:
    """Three in one writing: fewer would be lost sooner, more would hold up the line that the answer comes on."""
    port = Recorder("a")
    stop_ports({Role.HAND: port})  # type: ignore[dict-item]
    (sent,) = port.given
    spoilt = bytearray(sent)
    for at in (4, 4 + len(STOP_FRAME)):
        spoilt[at] ^= 0x10

    whole, left = decode_all(Deframer().feed(sent)), decode_all(Deframer().feed(bytes(spoilt)))
    assert [(m.NAME, m.sequence) for m in whole] == [("stop", 0)] * 3
    assert [(m.NAME, m.sequence) for m in left] == [("stop", 0)]


@pytest.mark.parametrize("role", [Role.CRAFT, Role.HAND])
def test_a_restart_of_any_board_voids_the_attestations(access, role: Role) -> None:
    h = access()
    runner = Runner(load(procedure("bring-up")), h.bench, h.said.append, h.interlock)
    h.board(Role.HAND).open()
    drive = ready(h)
    assert runner.interlock is h.interlock

    h.bench.ports[role].reset()
    h.wait(0.3)
    h.board(role).poll()

    assert h.interlock.state is State.SAFE
    with pytest.raises(Locked, match="not attested"):
        drive.throttle(0)


def test_no_bench_of_real_boards_takes_the_simulated_operator(access) -> None:
    from benchctl.ports.assign import Assigned
    from benchctl.ports.bench import PortsBench

    bench = PortsBench(Assigned({}, {}))
    with pytest.raises(UsageError, match="real operator"):
        bench.operator = access().bench.operator
    assert bench.operator.by == "none"


def test_words_are_not_the_same_each_time(access) -> None:
    h = access()
    for _ in range(3):
        h.interlock.lapse()
        attest_all(h, h.interlock)
    assert len({a.challenge for a in h.of(ev.Attestation)}) > 8
    assert h.bench.chance is not random


def test_absent_people_are_said_to_be(access) -> None:
    h = access()
    h.bench.operator = NoOperator()
    with pytest.raises(OperatorAbsent):
        h.ask(ev.PromptKind.WORD, "type", "attest", detail="x y")


# ---------------------------------------------------------------------- what outputs can emit


def test_the_boards_own_cap_stands_below_what_is_asked_for(access) -> None:
    """An attested 25 % on a board whose own cap is 20 %: it is said, and nothing is live."""
    h = access(0.2)
    h.interlock.set_cap(0.25)

    with pytest.raises(GuardDropped, match="own cap is 20 %"):
        ready(h)
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE


def test_wiring_needs_the_battery_attested_off(access) -> None:
    h = access()
    with pytest.raises(Locked, match="battery is unplugged"), Wiring(h, h.interlock, Role.CRAFT):
        pass
    assert attest_off(h, h.interlock) == ""
    with Wiring(h, h.interlock, Role.CRAFT):
        h.craft.write_setting("idle_us", 1100)
        h.interlock.plugged()
        with pytest.raises(Locked, match="battery is unplugged"):
            Wiring(h, h.interlock, Role.CRAFT).attempt(2)
    assert h.craft.ask(msg.GuardRead()).state == GuardState.IDLE
    assert h.craft.ask(msg.GuardRead()).confirmed == 0


def test_a_restart_that_was_asked_for_leaves_the_battery_off(access) -> None:
    """Nobody plugs a battery in by that; an unasked one may come from just that."""
    h = access()
    assert attest_off(h, h.interlock) == ""
    h.interlock.lapse(Role.CRAFT, asked=True)
    h.interlock.check_off(h.now())
    h.interlock.lapse(Role.CRAFT)
    with pytest.raises(Locked):
        h.interlock.check_off(h.now())


def test_pulses_that_were_taken_away_stay_away(access) -> None:
    """100 ms of idle, then none; not after a restart either."""
    h = access()
    drive = ready(h)
    drive.hold_throttle(100, 0.5)
    drive.take_away()
    before = h.esc.pulses
    h.wait(1.0)
    assert h.esc.pulses == before
    h.craft.restart()
    h.wait(1.0)
    assert h.esc.pulses == before
    assert h.craft.ask(msg.GuardRead()).confirmed == 0b01
