"""Questions to a record: what a reading's interval leaves open is unknown."""

from __future__ import annotations

import pytest

from benchctl import events as ev
from benchctl.findings.record import RecordQuery, above, below
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
