"""The JSON report: the object that `--json` prints, keys and order as promised."""

from __future__ import annotations

import json
import math

from helpers_runs import SHA, Story, failing_run, healthy_run

from benchctl import events as ev
from benchctl.report.as_json import render, report
from benchctl.runs.summary import summarise
from benchctl.terms import Limit, Reading, Verdict

#: the promised keys, first and in this order; more may follow at the end of each object
RUN = ["run", "procedure", "bench", "seed", "verdict", "boards", "stages", "findings"]
BOARD = ["role", "label", "firmware", "image_crc"]
STAGE = ["name", "kind", "verdict", "seconds", "reason", "readings"]
READING = ["name", "value", "unit", "n", "low", "high", "limit_min", "limit_max", "verdict"]
FINDING = ["cause", "confidence", "board", "evidence", "remedy", "next_test"]


def test_the_promised_keys_come_first_and_in_order() -> None:
    told = report(summarise(failing_run()))

    assert list(told)[: len(RUN)] == RUN
    assert list(told["procedure"]) == ["name", "sha256"]
    for objects, keys in ((told["boards"], BOARD), (told["stages"], STAGE), (told["findings"], FINDING)):
        assert objects
        assert all(list(o)[: len(keys)] == keys for o in objects)
    readings = [r for s in told["stages"] for r in s["readings"]]
    assert readings
    assert all(list(r)[: len(READING)] == READING for r in readings)


def test_the_values_are_those_of_the_run() -> None:
    told = report(summarise(failing_run()))
    droop = told["stages"][1]["readings"][1]

    assert (told["run"], told["bench"], told["seed"]) == ("20260314-101530-bring-up-3fa9", "sim", 7)
    assert told["procedure"] == {"name": "bring-up", "sha256": SHA}
    assert told["verdict"] == "fail"
    assert [s["verdict"] for s in told["stages"]] == ["pass", "fail", "pass", "fail"] + ["not run"] * 4
    assert (droop["value"], droop["limit_min"], droop["limit_max"], droop["board"]) == (0.9, None, 0.3, "craft")
    assert told["findings"][0]["cause"] == "bulk_capacitor_missing"


def test_it_is_strict_json_whatever_was_measured() -> None:
    """RFC 8259 section 6: no NaN, no infinity."""
    story = Story()
    story.begin()
    story.start("supply")
    for name, value in (("a", math.nan), ("b", math.inf)):
        reading = Reading(name, value, "V").judged(Limit(max=math.inf), Verdict.UNDECIDED)
        story.add(ev.ReadingTaken(1, "supply", reading))
    told = json.loads(render(summarise(story.events)), parse_constant=lambda word: 1 / 0)

    assert [r["value"] for r in told["stages"][1]["readings"]] == [None, None]


def test_stages_without_an_end_have_a_verdict_too() -> None:
    cut = report(summarise(healthy_run()[:14]))

    assert cut["state"] == "aborted"
    assert {s["verdict"] for s in cut["stages"]} <= {"pass", "undecided", "not run"}
    assert cut["stages"][-1]["reason"] == "never reached"


def test_an_empty_record_is_an_object_too() -> None:
    assert report(summarise([]))["verdict"] == "undecided"
