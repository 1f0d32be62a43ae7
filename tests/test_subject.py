"""A reading knows whose it is: a field, made once of its name; old records, which lack it, open the same."""

from __future__ import annotations

import json

import pytest

from benchctl import events as ev
from benchctl.event_json import from_json, to_json
from benchctl.terms import Reading, Role, split_subject


@pytest.mark.parametrize(
    ("name", "subject", "short"),
    [
        ("hand.vcc", "hand", "vcc"),
        ("gauge.rail.vcc", "gauge", "rail.vcc"),
        ("hand_to_craft.loss", "hand_to_craft", "loss"),
        ("output2.sag", "output2", "sag"),
        ("echo_loss", "", "echo_loss"),
        ("hand_to_hand.loss", "", "hand_to_hand.loss"),
        ("servo.travel", "", "servo.travel"),
    ],
)
def test_the_subject_of_a_name(name: str, subject: str, short: str) -> None:
    """A board, or a direction between two; any other first part is part of the name."""
    reading = Reading(name, 1.0)

    assert split_subject(name) == (reading.subject, reading.short_name) == (subject, short)
    assert reading.board == (Role(subject) if subject in ("hand", "craft", "gauge") else None)


def test_a_wrong_subject_is_refused() -> None:
    with pytest.raises(ValueError, match="its subject is 'hand', not 'craft'"):
        Reading("hand.vcc", 1.0, subject="craft")


def test_records_bear_it_and_old_ones_open() -> None:
    event = ev.ReadingTaken(1.0, "supply", Reading("hand.vcc", 5.0, "V"))
    told = to_json(event)
    assert told["reading"]["name"] == "hand.vcc"
    assert told["reading"]["subject"] == "hand"
    assert from_json(json.loads(json.dumps(told))) == event
    del told["reading"]["subject"]
    assert from_json(told) == event
