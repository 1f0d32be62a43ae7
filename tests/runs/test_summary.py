"""The fold: every question that screen, printer, report and comparison ask has one answer."""

from __future__ import annotations

import math

from helpers_runs import CRAFT, HAND, Story, failing_run, healthy_run, plain, small_run
from hypothesis import given
from hypothesis import strategies as st

from benchctl import events as ev
from benchctl.runs.summary import _FOLDS, RunState, StageState, Summary, summarise
from benchctl.terms import Reading, Role, Verdict

HEALTHY, FAILING = healthy_run(), failing_run()


def folded(*events: ev.Event) -> Summary:
    return summarise(events, live=True)


def test_every_event_is_taken_in() -> None:
    assert set(_FOLDS) == set(ev.kinds().values())


def test_a_healthy_run() -> None:
    s = summarise(healthy_run())

    assert (s.state, s.outcome, s.aborted) == (RunState.ENDED, Verdict.PASS, False)
    assert list(s.stages) == ["identity", "supply", "transceiver", "link", "button", "servo", "ramp", "cut"]
    assert all(x.state is StageState.ENDED for x in s.stages.values())
    assert [b.label for b in s.boards.values()] == ["mudlark-hand-03", "mudlark-craft-03"]
    assert (s.untested, s.prompts, s.running, s.live) == ([], {}, None, None)
    assert s.highest_cap == 0.2
    assert [(p.cap, p.until is not None) for p in s.live_periods] == [(0.2, True)]
    assert len(s.attestations) == len(s.stages["ramp"].attestations) == 2


def test_a_failing_run() -> None:
    s = summarise(failing_run())

    assert s.outcome is Verdict.FAIL
    assert [u.stage for u in s.untested] == ["button", "servo", "ramp", "cut"]
    assert [r.name for r in s.stages["supply"].failed_readings] == ["craft.droop"]
    assert [f.rank for f in s.findings] == [1, 2]
    assert s.board(CRAFT).unasked_resets == 1
    assert s.board(CRAFT).resets[0].stage == "link"
    assert [s.count(v) for v in (Verdict.PASS, Verdict.FAIL, Verdict.NOT_RUN)] == [2, 2, 4]


@given(st.integers(0, 200))
def test_any_beginning_of_a_run_is_running_while_live_and_aborted_once_over(n: int) -> None:
    events = HEALTHY[:n]
    live, over = folded(*events), summarise(events)
    whole = len(events) == len(HEALTHY)

    assert live.state is (RunState.ENDED if whole else RunState.RUNNING if events else RunState.WAITING)
    assert over.state is (RunState.ENDED if whole else RunState.ABORTED)
    assert over.outcome is (Verdict.PASS if whole else Verdict.UNDECIDED)
    assert whole or len(over.untested) == sum(x.verdict is None for x in over.stages.values())


@given(st.integers(0, 200), st.integers(0, 200))
def test_folding_in_pieces_is_folding_at_once(a: int, b: int) -> None:
    events = FAILING
    first, last = sorted((a % len(events), b % len(events)))
    s = Summary()
    for part in (events[:first], events[first:last], events[last:]):
        for e in part:
            s.fold(e)
    s.close()

    assert plain(s) == plain(summarise(events))


def test_an_aborted_run_that_had_a_failed_stage_has_failed() -> None:
    events = failing_run()
    cut = next(i for i, e in enumerate(events) if isinstance(e, ev.StageEnded) and e.verdict is Verdict.FAIL)

    assert summarise(events[: cut + 1]).outcome is Verdict.FAIL
    assert summarise(events[:cut]).outcome is Verdict.UNDECIDED


def test_the_last_reading_of_a_name_counts_and_knows_whether_it_is_final() -> None:
    s = folded(
        ev.ReadingTaken(1, "link", Reading("loss", 3.0, "%"), final=False),
        ev.ReadingTaken(2, "link", Reading("trip", 9.0, "us"), final=False),
        ev.ReadingTaken(3, "link", Reading("loss", 2.0, "%")),
    )

    assert s.reading("link", "loss") == Reading("loss", 2.0, "%")
    assert s.stages["link"].provisional == {"trip"}
    assert list(s.stages["link"].readings) == ["loss", "trip"]
    assert s.reading("link", "none") is s.reading("none", "loss") is None


def test_prompts_are_open_until_answered_or_until_their_stage_ends() -> None:
    def prompt(i: int) -> ev.Prompt:
        return ev.Prompt(1, "controls", i, ev.PromptKind.DO, "Press the switch.", "press_switch", HAND)

    s = folded(prompt(1), prompt(2), ev.Answer(2, "controls", 1, "done", "measured"))
    assert list(s.prompts) == [2]
    s.fold(ev.StageEnded(3, "controls", "controls", Verdict.UNDECIDED, "", 1))
    assert s.prompts == {}


def test_outputs_live_until_told_otherwise_and_to_the_end_of_a_cut_record() -> None:
    on = ev.OutputsLive(1, "ramp", True, "motor", 0.2)
    s = folded(on)
    assert (s.live, s.live_periods[0].until) == (on, None)
    s.fold(ev.OutputsLive(1.5, "ramp", True, "no more is asked", 0.2))  # other words for the same
    assert [(p.since, p.until, p.text) for p in s.live_periods] == [(1, None, "motor")]
    s.fold(ev.OutputsLive(2, "ramp", True, "motor", 0.3))  # a wider cap: another period
    assert [(p.since, p.until, p.cap) for p in s.live_periods] == [(1, 2, 0.2), (2, None, 0.3)]
    s.fold(ev.OutputsLive(5, "ramp", False, "motor"))
    assert (s.live, s.live_periods[1].until) == (None, 5)
    s.fold(ev.OutputsLive(6, "ramp", False, "motor"))
    assert len(s.live_periods) == 2


def test_a_new_list_of_findings_replaces_the_old_one() -> None:
    def finding(rank: int, cause: str) -> ev.FindingMade:
        return ev.FindingMade(1, rank, cause, cause, 0.5, None, (), (), "", "")

    s = folded(finding(1, "a"), finding(2, "b"), finding(1, "b"))

    assert [f.cause for f in s.findings] == ["b"]


def test_a_board_may_be_lost_and_come_back() -> None:
    story = Story()
    story.begin()
    story.boards()
    s = folded(*story.events, ev.BoardLost(3, CRAFT, "port gone"))
    assert (s.board(CRAFT).state, s.board(CRAFT).lost_reason) == ("lost", "port gone")
    s.fold(ev.BoardBack(4, CRAFT, "mudlark-craft-03"))
    assert (s.board(CRAFT).state, s.board(CRAFT).losses) == ("ready", 1)
    assert s.board(Role.GAUGE).state == "awaited"


def test_supply_that_is_unknown_changes_nothing() -> None:
    s = folded(
        ev.BoardHealth(1, HAND, 4.9, 10, 0, 0),
        ev.BoardHealth(2, HAND, math.nan, 20, 1, 2),
        ev.BoardHealth(3, HAND, 4.95, 30, 1, 2),
    )
    b = s.board(HAND)

    assert (b.vcc, b.lowest_vcc, b.frames, b.damaged, b.lost_events) == (4.95, 4.9, 30, 1, 2)


def test_a_stage_is_never_told_to_be_done_and_then_not() -> None:
    """Its usual time counts, not its own progress, which begins anew with each board; before its end it is not whole."""
    s = folded(ev.StageStarted(10.0, "link", "radio_link", "Radio link", "", 20.0))
    stage = s.running
    assert stage is not None
    s.fold(ev.Progress(14.0, "link", 100.0, 100.0))
    assert (stage.part_done(15.0), stage.time_left(15.0)) == (0.25, 15.0)
    s.fold(ev.Progress(15.0, "link", 5.0, 100.0))
    parts = [stage.part_done(t) for t in (15.0, 16.0, 29.0, 31.0, 300.0)]
    assert parts == sorted(parts)
    assert parts[-1] < 1.0
    assert stage.time_left(100.0) == 0.0
    s.fold(ev.StageEnded(16.0, "link", "radio_link", Verdict.PASS, "", 6.0))
    assert stage.time_left(17.0) is None
    assert stage.part_done(17.0) is None


def test_a_stage_performed_anew_starts_anew() -> None:
    start = ev.StageStarted(1, "link", "radio_link", "Radio link", "", 1)
    s = folded(start, ev.ReadingTaken(2, "link", Reading("loss", 3.0, "%")), start)

    assert s.stages["link"].readings == {}
    assert s.stages["link"].state is StageState.RUNNING


def test_a_stopped_run_says_so_and_keeps_the_first_cause() -> None:
    events = healthy_run()
    s = folded(*events[:20], ev.StopPressed(9, "key"), ev.StopPressed(9, "error"))
    s.fold(ev.RunEnded(10, Verdict.UNDECIDED, 10, "2026-03-14T10:16:00Z"))

    assert s.state is RunState.STOPPED
    assert s.stop is not None
    assert s.stop.by == "key"


def test_tables_are_referenced_not_kept() -> None:
    s = summarise(small_run())
    table = s.stages["supply"].tables["craft.burst"]

    assert (table.rows, table.columns, table.units) == (6, ("t", "vcc"), ("us", "V"))
    assert s.label(CRAFT) == "mudlark-craft-03"
    assert s.label(Role.GAUGE) == "gauge"


def test_words_and_signs_of_stages() -> None:
    s = folded(*healthy_run()[:1])
    assert (s.stages["link"].word, s.stages["link"].sign) == ("waiting", "·")
    s.fold(ev.StageStarted(1, "link", "radio_link", "Radio link", "", 1))
    assert (s.stages["link"].word, s.stages["link"].sign) == ("running", "▸")
    s.fold(ev.StageEnded(2, "link", "radio_link", Verdict.FAIL, "", 1))
    assert (s.stages["link"].word, s.stages["link"].sign) == ("fail", "✗")
