"""Whatever happens in whatever order, throttle is only handed out while every condition holds."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from benchctl.safety.attestation import MOST_CAP, STATEMENTS, SUPPLY_OFF, VALID_S, challenge, matches, statements
from benchctl.safety.interlock import TABLE, Change, Interlock, Locked, State, picture
from benchctl.terms import Role


def ready(cap: float = 0.2, now: float = 0.0) -> Interlock:
    """An interlock with everything attested and idle seen."""
    interlock = Interlock(cap)
    for statement in interlock.wanted:
        interlock.attest(statement.name, now)
    interlock.saw_idle(Role.CRAFT)
    return interlock


def armed(now: float = 0.0) -> Interlock:
    interlock = ready(now=now)
    interlock.clear(Role.CRAFT, now)
    interlock.arming(2, 7, "mudlark-craft-01", Role.CRAFT, now)
    interlock.accepted()
    return interlock


def test_the_whole_way() -> None:
    interlock = armed()

    assert interlock.state is State.ARMED
    assert interlock.throttle(2, 150, Role.CRAFT, 1.0) == {"channel": 2, "permille": 150, "number": 1}
    assert interlock.state is State.LIVE
    assert interlock.throttle(2, 0, Role.CRAFT, 1.1)["number"] == 2
    assert interlock.state is State.ARMED


def test_the_least_throttle_is_live() -> None:
    interlock = armed()
    interlock.throttle(2, 1, Role.CRAFT, 1.0)

    assert interlock.state is State.LIVE


@pytest.mark.parametrize("missing", [s.name for s in STATEMENTS])
def test_each_attestation_is_needed(missing: str) -> None:
    interlock = Interlock()
    for statement in interlock.wanted:
        if statement.name != missing:
            interlock.attest(statement.name, 0.0)
    interlock.saw_idle(Role.CRAFT)

    with pytest.raises(Locked, match="not attested"):
        interlock.clear(Role.CRAFT, 0.0)


def test_idle_must_have_been_seen() -> None:
    interlock = Interlock()
    for statement in interlock.wanted:
        interlock.attest(statement.name, 0.0)

    with pytest.raises(Locked, match="not been seen idle"):
        interlock.clear(Role.CRAFT, 0.0)


@pytest.mark.parametrize("missing", ["supply_off", *(s.name for s in STATEMENTS)])
def test_a_lesson_begins_with_everything_attested(missing: str) -> None:
    interlock = ready()
    interlock.attest("supply_off", 0.0)
    interlock._given.pop(missing)

    with pytest.raises(Locked, match="not attested"):
        interlock.begin_lesson(1.0)
    with pytest.raises(Locked):
        interlock.check_lesson(1.0)


@pytest.mark.parametrize("end", [Interlock.lapse, Interlock.stop, Interlock.end_lesson], ids=["lapse", "stop", "end"])
def test_a_lesson_goes_on_with_the_battery_asked_for_until_it_is_ended(end: Callable[[Interlock], object]) -> None:
    """Attested anew, it does not go on: it begins."""
    interlock = ready()
    interlock.attest("supply_off", 0.0)
    interlock.begin_lesson(1.0)
    interlock.plugged()
    interlock.check_lesson(2.0)
    end(interlock)
    for statement in interlock.wanted:
        interlock.attest(statement.name, 3.0)

    with pytest.raises(Locked):
        interlock.check_lesson(3.0)


def test_a_lesson_ends_with_what_was_attested_for_it() -> None:
    interlock = ready()
    interlock.attest("supply_off", VALID_S - 1)
    interlock.begin_lesson(VALID_S - 1)

    with pytest.raises(Locked, match="10 minutes ago"):
        interlock.check_lesson(VALID_S)


def test_attestations_expire_even_while_live() -> None:
    """Ten minutes after the attestation the next throttle request is refused."""
    interlock = armed()
    interlock.throttle(2, 100, Role.CRAFT, VALID_S - 0.001)

    with pytest.raises(Locked, match="10 minutes"):
        interlock.throttle(2, 100, Role.CRAFT, VALID_S)
    assert interlock.state is State.SAFE


def test_a_restart_voids_everything() -> None:
    interlock = armed()
    interlock.lapse(Role.HAND)
    assert interlock.state is State.SAFE
    assert not interlock.may_move

    with pytest.raises(Locked):
        interlock.throttle(2, 10, Role.CRAFT, 1.0)
    assert len(interlock.obstacles(Role.CRAFT, 1.0)) == len(STATEMENTS) + 1


def test_the_cap_holds() -> None:
    interlock = armed()
    interlock.throttle(2, 200, Role.CRAFT, 0.0)

    with pytest.raises(Locked, match="above the cap of 20 %"):
        interlock.throttle(2, 201, Role.CRAFT, 0.0)
    with pytest.raises(Locked, match="above the cap"):
        interlock.throttle(2, -1, Role.CRAFT, 0.0)
    interlock.throttle(2, -200, Role.CRAFT, 0.0, both_ways=True)
    with pytest.raises(Locked, match="above the cap"):
        interlock.throttle(2, -201, Role.CRAFT, 0.0, both_ways=True)


def test_a_higher_cap_needs_a_further_statement_and_has_an_end() -> None:
    assert len(statements(0.25)) == len(statements(0.2)) + 1
    with pytest.raises(ValueError, match="at most 30 %"):
        statements(MOST_CAP + 0.001)
    interlock = ready()
    interlock.set_cap(0.3)
    with pytest.raises(Locked, match="above 20 %"):
        interlock.clear(Role.CRAFT, 0.0)


def test_the_cap_is_fixed_while_armed() -> None:
    with pytest.raises(Locked, match="while armed"):
        armed().set_cap(0.3)


def test_a_stop_is_final_until_renewed_and_then_all_is_attested_anew() -> None:
    interlock = armed()
    interlock.stop()
    for statement in interlock.wanted:
        interlock.attest(statement.name, 0.0)
    interlock.saw_idle(Role.CRAFT)

    for act in (
        lambda: interlock.clear(Role.CRAFT, 0.0),
        lambda: interlock.throttle(2, 1, Role.CRAFT, 0.0),
        lambda: interlock.arming(2, 1, "x", Role.CRAFT, 0.0),
        interlock.accepted,
    ):
        with pytest.raises(Locked):
            act()
    interlock.lapse()
    interlock.disarm()
    assert interlock.state is State.STOPPED
    interlock.renew()
    assert interlock.state is State.SAFE
    with pytest.raises(Locked, match="not attested"):
        interlock.clear(Role.CRAFT, 0.0)


def test_what_is_attested_while_stopped_does_not_count_after_it() -> None:
    """An answer to a prompt that was open when the stop came, for example; nor is idle seen then."""
    interlock = armed()
    interlock.stop()
    for statement in (*interlock.wanted, SUPPLY_OFF):
        interlock.attest(statement.name, 0.0)
    interlock.saw_idle(Role.CRAFT)
    interlock.renew()

    assert not any(interlock.valid(s.name, 0.0) for s in (*interlock.wanted, SUPPLY_OFF))
    for statement in interlock.wanted:
        interlock.attest(statement.name, 0.0)
    with pytest.raises(Locked, match="have not been seen idle"):
        interlock.clear(Role.CRAFT, 0.0)


def test_what_was_attested_before_a_stop_does_not_count_after_it() -> None:
    interlock = armed()
    interlock.stop()
    interlock.renew()
    interlock.saw_idle(Role.CRAFT)

    with pytest.raises(Locked, match="not attested"):
        interlock.clear(Role.CRAFT, 0.0)


def test_a_host_that_was_late_does_not_go_on_by_itself() -> None:
    """More than the board's keep-alive between two requests, a suspend for example: all has to be attested anew."""
    interlock = armed()
    interlock.throttle(2, 100, Role.CRAFT, 1.0)
    interlock.throttle(2, 100, Role.CRAFT, 1.25)
    with pytest.raises(Locked, match="late"):
        interlock.throttle(2, 100, Role.CRAFT, 1.51)

    assert interlock.state is State.SAFE
    assert not any(interlock.valid(s.name, 1.51) for s in interlock.wanted)


def test_whoever_notices_that_the_host_was_late_voids_what_was_attested() -> None:
    """Counted by the bench; each new time once, also while nothing is armed."""
    interlock = ready()
    interlock.noticed(0)
    assert interlock.valid(STATEMENTS[0].name, 0.0)
    interlock.noticed(1)
    assert not interlock.valid(STATEMENTS[0].name, 0.0)
    interlock.attest(STATEMENTS[0].name, 0.0)
    interlock.noticed(1)
    assert interlock.valid(STATEMENTS[0].name, 0.0)


def test_no_step_can_be_left_out() -> None:
    """Arming without a challenge, accepting without arming, throttle without accepting: all refused."""
    with pytest.raises(Locked):
        ready().accepted()
    with pytest.raises(Locked):
        ready().arming(2, 1, "x", Role.CRAFT, 0.0)
    interlock = ready()
    interlock.clear(Role.CRAFT, 0.0)
    with pytest.raises(Locked):
        interlock.throttle(2, 1, Role.CRAFT, 0.0)


def test_table_leads_to_live_only_from_armed_or_live() -> None:
    for state, row in TABLE.items():
        for change, target in row.items():
            if target is State.LIVE:
                assert (state, change) in ((State.ARMED, Change.RAISE), (State.LIVE, Change.RAISE))
            if state is not State.STOPPED and change in (Change.LAPSE, Change.DISARM):
                assert target is State.SAFE
        assert row[Change.STOP] is State.STOPPED
    assert {t for change, t in TABLE[State.STOPPED].items() if change is not Change.RENEW} == {State.STOPPED}
    assert TABLE[State.STOPPED][Change.RENEW] is State.SAFE
    assert picture().count("\n") == len(TABLE) + 1


def test_challenge_words_differ_and_are_checked() -> None:
    import random

    words = {challenge(random.Random(i)) for i in range(200)}
    assert len(words) > 30
    assert matches("heron", " Heron ")
    assert not matches("heron", "yes")
    assert not matches("heron", "")


class Machine(RuleBasedStateMachine):
    """Random interleavings of everything that can happen; the model keeps the conditions by itself."""

    def __init__(self) -> None:
        super().__init__()
        self.lock = Interlock(0.2)
        self.now = 0.0
        self.until: dict[str, float] = {}
        self.idle = self.steps = False
        self.stopped = self.accepted = False
        self.challenged = self.cleared = False
        self.asked: float | None = None  # the latest throttle since arming

    def holds(self) -> bool:
        fresh = all(self.until.get(s.name, -1.0) > self.now for s in STATEMENTS)
        return fresh and self.idle and not self.stopped

    def down(self) -> None:
        self.cleared = self.challenged = self.accepted = False

    @rule(seconds=st.sampled_from([0.01, 0.2, 1.0, 100.0, 599.0, 601.0]))
    def passes(self, seconds: float) -> None:
        self.now += seconds

    @rule(which=st.sampled_from(STATEMENTS))
    def attest(self, which: object) -> None:
        self.until[which.name] = self.lock.attest(which.name, self.now)  # type: ignore[attr-defined]

    @rule()
    def attest_all(self) -> None:
        for s in STATEMENTS:
            self.until[s.name] = self.lock.attest(s.name, self.now)

    @rule()
    def idle_seen(self) -> None:
        self.lock.saw_idle(Role.CRAFT)
        self.idle = True

    @rule()
    def clear(self) -> None:
        may = self.holds() and not (self.challenged or self.accepted)
        try:
            self.lock.clear(Role.CRAFT, self.now)
            assert may
            self.cleared = True
        except Locked:
            assert not may

    @rule()
    def arm(self) -> None:
        may = self.holds() and self.cleared and not self.challenged and not self.accepted
        try:
            self.lock.arming(2, 1, "x", Role.CRAFT, self.now)
            assert may
            self.challenged = True
        except Locked:
            assert not may
            if not self.holds():
                self.down()

    @rule()
    def accept(self) -> None:
        may = self.challenged and not self.accepted
        try:
            self.lock.accepted()
            assert may
            self.accepted = True
            self.asked = None
        except Locked:
            assert not may

    @rule(permille=st.integers(-5, 260))
    def throttle(self, permille: int) -> None:
        late = self.accepted and self.asked is not None and self.now - self.asked > 0.25
        right = 0 <= permille <= 200
        may = self.holds() and self.accepted and right and not late
        try:
            fields = self.lock.throttle(2, permille, Role.CRAFT, self.now)
            assert may
            assert fields["permille"] <= 200
            self.asked = self.now
        except Locked:
            assert not may
            if not self.holds():
                self.down()
            elif late and right:
                self.until.clear()
                self.idle = False
                self.down()

    @rule()
    def restart(self) -> None:
        self.lock.lapse(Role.CRAFT)
        self.until.clear()
        self.idle = False
        self.down()

    @rule()
    def disarm(self) -> None:
        self.lock.disarm()
        self.idle = False
        self.down()

    @rule()
    def stop(self) -> None:
        self.lock.stop()
        self.stopped = True
        self.until.clear()
        self.idle = False
        self.down()

    @rule()
    def renew(self) -> None:
        try:
            self.lock.renew()
            assert self.stopped
            self.stopped = self.idle = False
            self.until.clear()
        except Locked:
            assert not self.stopped

    @invariant()
    def live_only_when_accepted(self) -> None:
        assert not self.lock.may_move or self.accepted


Machine.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestInterlock = Machine.TestCase


def test_the_picture_in_the_contributors_page_is_the_table() -> None:
    from pathlib import Path

    assert picture() in (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")


@pytest.mark.parametrize("act", [Interlock.disarm, Interlock.stop, Interlock.lapse])
def test_idle_has_to_be_seen_anew(act) -> None:
    """After a disarming, a stop or a lapse nothing is taken for idle that was so before."""
    interlock = armed()
    act(interlock)
    assert not interlock.may_move
    if interlock.state is State.STOPPED:
        interlock.renew()
    assert interlock.state is State.SAFE
    for statement in interlock.wanted:
        interlock.attest(statement.name, 0.0)

    with pytest.raises(Locked, match="have not been seen idle"):
        interlock.clear(Role.CRAFT, 0.0)


def test_what_expires_between_clearing_and_arming_counts_no_more() -> None:
    interlock = ready()
    interlock.clear(Role.CRAFT, VALID_S - 0.1)

    with pytest.raises(Locked, match="10 minutes"):
        interlock.arming(2, 1, "mudlark-craft-01", Role.CRAFT, VALID_S)
    assert interlock.state is State.SAFE
