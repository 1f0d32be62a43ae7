"""The event queue: order, equal times, cancelling, limits."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from benchctl.parts.agenda import Agenda


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(-2, 2)), max_size=40))
def test_order_is_time_then_priority_then_entry(entries: list[tuple[int, int]]) -> None:
    agenda, done = Agenda(), []
    for number, (time, priority) in enumerate(entries):
        agenda.at(time, done.append, (time, priority, number), priority=priority)
    agenda.run_to(20)
    assert done == sorted(done)
    assert len(done) == len(entries)


def test_an_action_may_add_another_at_the_same_time() -> None:
    agenda, done = Agenda(), []
    agenda.at(1.0, lambda: agenda.at(0.5, lambda: done.append(agenda.now)))
    agenda.run_to(1.0)
    assert done == [1.0]


def test_cancelled_entries_do_not_happen_and_do_not_count_as_next() -> None:
    agenda = Agenda()
    entry = agenda.after(1.0, lambda: 1 / 0)
    entry.cancel()
    assert agenda.next_time() == math.inf
    agenda.run_to(2.0)
    assert agenda.now == 2.0


def test_run_next_stops_at_the_limit() -> None:
    agenda, done = Agenda(), []
    agenda.at(1.0, done.append, "early")
    agenda.at(3.0, done.append, "late")
    assert agenda.run_next(2.0)
    assert not agenda.run_next(2.0)
    assert (agenda.now, done) == (2.0, ["early"])


def test_the_listener_hears_of_new_firsts_only() -> None:
    agenda, heard = Agenda(), []
    agenda.on_earlier = heard.append
    agenda.at(5.0, print)
    agenda.at(7.0, print)
    agenda.at(2.0, print)
    assert heard == [5.0, 2.0]
