"""Readings against limits."""

import math

import pytest

from benchctl.analysis.judge import judge, reason, verdict_of
from benchctl.terms import Interval, Limit, Reading, Verdict


def reading(value, interval=None, name="hand_to_craft.loss", unit="%", n=1000):
    return Reading(name, value, unit, n, interval)


@pytest.mark.parametrize(
    ("value", "low", "high", "plain", "strict"),
    [
        (0.5, 0.2, 0.9, "pass", "pass"),
        (0.5, 0.2, 1.4, "pass", "undecided"),
        (1.3, 0.8, 1.9, "fail", "undecided"),
        (4.2, 3.1, 5.6, "fail", "fail"),
        (1.0, 0.9, 1.0, "pass", "pass"),
    ],
)
def test_verdicts(value, low, high, plain, strict):
    """Plain: the value decides; strict: the whole interval must be on one side."""
    one, limit = reading(value, Interval(low, high)), Limit(max=1.0)

    assert judge(one, limit).verdict == plain
    assert judge(one, limit, strict=True).verdict == strict


def test_strict_two_sided():
    limit = Limit(4.5, 5.5)

    assert judge(reading(5, Interval(4.9, 5.1)), limit, strict=True).verdict == "pass"
    assert judge(reading(5, Interval(4.4, 5.1)), limit, strict=True).verdict == "undecided"
    assert judge(reading(4, Interval(3.9, 4.1)), limit, strict=True).verdict == "fail"


def test_strict_without_interval_goes_by_the_value():
    assert judge(reading(2.0), Limit(max=1), strict=True).verdict == "fail"


@pytest.mark.parametrize("one", [reading(math.nan), reading(0.0, n=0)])
def test_unmeasured_is_never_a_pass(one):
    assert judge(one, Limit(max=1)).verdict == "undecided"
    assert judge(one, None).verdict is None


def test_without_a_limit_a_reading_only_informs():
    assert judge(reading(5.0), None).verdict == "pass"
    assert judge(reading(5.0), Limit()).verdict == "pass"


def test_reason_names_value_interval_and_limit():
    failed = judge(reading(4.2, Interval(3.1, 5.6)), Limit(max=1))

    assert reason(failed) == "loss, hand→craft: 4.2 % (3.1 … 5.6), limit at most 1 %"


def test_reason_of_a_bare_count():
    failed = judge(Reading("hand.free_stack", 210, "bytes"), Limit(min=500))

    assert reason(failed) == "free stack, hand: 210 bytes, limit at least 500 bytes"


def test_whole_verdict_and_its_reason():
    """The worst verdict is explained, the first three of many by name."""
    limit = Limit(max=1)
    bad = [judge(reading(9, name=f"r{k}"), limit) for k in range(5)]
    good = judge(reading(0), limit)
    unknown = judge(reading(math.nan, name="lost"), limit)

    assert verdict_of([good]) == (Verdict.PASS, "")
    assert verdict_of([good, unknown]) == (Verdict.UNDECIDED, "lost: could not be measured, limit at most 1 %")
    verdict, text = verdict_of([good, unknown, *bad])
    assert verdict is Verdict.FAIL
    assert "r0: 9 %" in text
    assert text.endswith("; and 2 more")
    assert "r3" not in text
    assert "lost" not in text


def test_nothing_read_is_undecided():
    assert verdict_of([]) == (Verdict.UNDECIDED, "no reading was taken")
    assert verdict_of([reading(1.0)]) == (Verdict.UNDECIDED, "no reading was taken")


def test_one_sample_is_a_measurement():
    assert judge(reading(0.5, n=1), Limit(max=1)).verdict == "pass"


def test_an_interval_that_only_touches_the_limit_proves_nothing():
    """Strict: its end on the bound may still be inside, so a fail is not proven; the value outside is no pass."""
    assert judge(reading(1.5, Interval(1.0, 1.9)), Limit(max=1.0), strict=True).verdict == "undecided"
    assert judge(reading(0.5, Interval(0.1, 1.0)), Limit(min=1.0), strict=True).verdict == "undecided"


def test_as_many_as_are_named_leave_no_rest():
    bad = [judge(reading(9, name=f"r{k}"), Limit(max=1)) for k in range(3)]

    assert "more" not in verdict_of(bad)[1]
