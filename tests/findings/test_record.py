"""Questions to a record: what a reading's interval leaves open is unknown."""

from __future__ import annotations

import pytest

from benchctl import events as ev
from benchctl.findings.causes import BY_NAME
from benchctl.findings.evidence import evidence
from benchctl.findings.record import Evidence, RecordQuery, above, below
from benchctl.findings.remedy import remedy
from benchctl.findings.supply_evidence import program_reset, starved_reset
from benchctl.runs.summary import summarise
from benchctl.terms import Interval, Reading, Role, Verdict


def record(*readings: Reading) -> RecordQuery:
    events: list[ev.Event] = []
    for n, reading in enumerate(readings):
        events.append(ev.ReadingTaken(0.0, f"s{n}", reading))
        events.append(ev.StageEnded(1.0, f"s{n}", "supply", Verdict.PASS, "", 1.0))
    return RecordQuery(summarise(events))


def ohms(value: float, low: float, high: float) -> Reading:
    return Reading("hand.path_ohms", value, "ohm", 9, Interval(low, high))


@pytest.mark.parametrize(("reading", "yes"), [
    (ohms(1.64, 0.60, 2.68), None), (ohms(2.5, 1.8, 3.2), True), (ohms(0.9, 0.5, 1.7), False),
    (Reading("hand.path_ohms", 1.71, "ohm"), True), (Reading("hand.path_ohms", 1.7, "ohm"), False),
])  # fmt: skip
def test_a_reading_whose_interval_has_the_threshold_inside_is_unknown(reading: Reading, yes: bool | None) -> None:
    answer = above(record(reading), "hand.path_ohms", ("supply",), 1.7)

    assert (None if answer is None else answer.holds) is yes


def test_one_sure_reading_of_several_is_enough() -> None:
    answer = above(record(ohms(1.6, 0.6, 2.7), ohms(2.5, 1.8, 3.2)), "hand.path_ohms", ("supply",), 1.7)

    assert answer is not None
    assert answer.holds


def test_below_is_the_mirror_of_above() -> None:
    assert below(record(ohms(1.64, 0.60, 2.68)), "hand.path_ohms", ("supply",), 1.7) is None
    answer = below(record(ohms(1.0, 0.60, 1.6)), "hand.path_ohms", ("supply",), 1.7)
    assert answer is not None
    assert answer.holds


def test_what_was_not_read_is_unknown() -> None:
    assert above(record(), "hand.path_ohms", ("supply",), 1.7) is None


@pytest.mark.parametrize(("lowest", "program", "starved"), [(3.2, False, True), (4.9, True, False), (0.0, True, False)])
def test_a_program_that_hung_is_told_from_one_that_was_starved(lowest: float, program: bool, starved: bool) -> None:
    """16 MHz need 3.78 V (ATmega328P data sheet, figure 28-1: 2.7 V at 10 MHz, 4.5 V at 20 MHz)."""
    seen = ev.BoardSeen(0.0, Role.HAND, "", "1.0", "0", 9, 16_000_000, "p", 1)
    reset = ev.BoardReset(1.0, Role.HAND, "watchdog", False, {"lowest_vcc": lowest})
    query = RecordQuery(summarise([seen, reset]))
    answers = (program_reset(query, Role.HAND), starved_reset(query, Role.HAND))

    assert [a.holds for a in answers if a is not None] == [program, starved]


def link(**readings: tuple[float, float, float, Verdict | None]) -> list[Evidence]:
    """What a link stage with these readings, as value and interval, is evidence of."""
    events: list[ev.Event] = [
        ev.ReadingTaken(0.0, "link", Reading(name, value, "%", 80, Interval(low, high), verdict=verdict))
        for name, (value, low, high, verdict) in readings.items()
    ]
    return evidence(summarise([*events, ev.StageEnded(1.0, "link", "radio_link", Verdict.FAIL, "", 1.0)]))


def test_a_link_is_dead_or_lossy_and_the_other_is_not_held_against_a_cause() -> None:
    dead = {f.name: f.holds for f in link(echo_loss=(100.0, 95.5, 100.0, Verdict.FAIL))}
    lossy = {f.name: f.holds for f in link(echo_loss=(15.0, 8.0, 25.0, Verdict.FAIL))}

    assert dead["dead"]
    assert "lossy" not in dead
    assert lossy["lossy"]
    assert "dead" not in lossy


def test_what_two_intervals_leave_open_is_no_evidence() -> None:
    """30 % at full power and 12 % at the lowest, of 40 pings each: better by 15, or not."""
    open_ = link(echo_loss=(30.0, 17.0, 47.0, Verdict.FAIL), echo_loss_weak=(12.0, 4.0, 27.0, None))
    sure = link(echo_loss=(90.0, 77.0, 97.0, Verdict.FAIL), echo_loss_weak=(0.0, 0.0, 9.0, None))

    assert "weak_better" not in {f.name for f in open_}
    assert {f.name: f.holds for f in sure}["weak_better"]


@pytest.mark.parametrize(("busy", "told"), [(2.0, "keep the channel"), (60.0, "set both boards to channel 26")])
def test_nobody_is_sent_away_from_a_channel_that_was_measured_quiet(busy: float, told: str) -> None:
    readings = (Reading("channel_busy", busy, "%", 600, Interval(busy - 1, busy + 1)), Reading("quiet_channel", 26.0, ""))
    events = [ev.ReadingTaken(0.0, "transceiver", r) for r in readings]
    query = RecordQuery(summarise([*events, ev.StageEnded(1.0, "transceiver", "transceiver", Verdict.PASS, "", 1.0)]))

    assert remedy(query, BY_NAME["interference"], None).startswith(told)
