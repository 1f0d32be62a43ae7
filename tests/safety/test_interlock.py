"""Whatever happens in whatever order, throttle is only handed out while every condition holds."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from benchctl.safety.attestation import MOST_CAP, STATEMENTS, VALID_S, challenge, matches, statements
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


def test_what_was_attested_before_a_stop_does_not_count_after_it() -> None:
    interlock = armed()
    interlock.stop()
    interlock.renew()
    interlock.saw_idle(Role.CRAFT)

    with pytest.raises(Locked, match="not attested"):
        interlock.clear(Role.CRAFT, 0.0)


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

    def holds(self) -> bool:
        fresh = all(self.until.get(s.name, -1.0) > self.now for s in STATEMENTS)
        return fresh and self.idle and not self.stopped

    def down(self) -> None:
        self.cleared = self.challenged = self.accepted = False

    @rule(seconds=st.sampled_from([0.01, 1.0, 100.0, 599.0, 601.0]))
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
        except Locked:
            assert not may

    @rule(permille=st.integers(-5, 260))
    def throttle(self, permille: int) -> None:
        may = self.holds() and self.accepted and 0 <= permille <= 200
        try:
            fields = self.lock.throttle(2, permille, Role.CRAFT, self.now)
            assert may
            assert fields["permille"] <= 200
        except Locked:
            assert not may
            if not self.holds():
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
            self.stopped = False
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
