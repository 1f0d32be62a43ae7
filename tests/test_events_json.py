"""Events and JSON: each other's inverse for every event there is; anything else is refused by name."""

from __future__ import annotations

import json
import types
from collections.abc import Mapping
from typing import Any, get_type_hints

import pytest
from helpers_runs import plain
from hypothesis import given
from hypothesis import strategies as st

from benchctl import events as ev
from benchctl.event_json import from_json, to_json
from benchctl.facts import Fact, catalogue
from benchctl.terms import Interval, Limit, Reading, Verdict
from benchctl.units import UNITS

NUMBERS = st.floats(allow_nan=True, allow_infinity=True)
ENDS = st.tuples(st.floats(allow_nan=False), st.floats(allow_nan=False)).map(sorted)
MADE: dict[type, st.SearchStrategy[Any]] = {
    Interval: st.builds(lambda e, level: Interval(e[0], e[1], level), ENDS, st.floats(0.01, 0.99)),
    Limit: st.builds(lambda e: Limit(e[0], e[1]), ENDS) | st.builds(Limit, min=st.none() | st.floats(allow_nan=False)),
}
MADE[Reading] = st.builds(
    Reading,
    name=st.text(max_size=20),
    value=NUMBERS,
    unit=st.sampled_from(sorted(UNITS)),
    n=st.integers(0, 2**62),
    interval=st.none() | MADE[Interval],
    floor=st.none() | NUMBERS,
    note=st.text(max_size=20),
    limit=st.none() | MADE[Limit],
    verdict=st.none() | st.sampled_from(Verdict),
)


def values(hint: Any) -> st.SearchStrategy[Any]:
    """Any value of a field's type."""
    if isinstance(hint, types.UnionType) and type(None) not in hint.__args__:
        # text that looks like one of our names for NaN and infinity would come back as a number
        return st.one_of([values(a) for a in hint.__args__]).filter(lambda v: v not in ("nan", "inf", "-inf"))
    if isinstance(hint, types.UnionType):
        return st.none() | values(next(a for a in hint.__args__ if a is not type(None)))
    origin, args = getattr(hint, "__origin__", hint), getattr(hint, "__args__", ())
    if origin is tuple:
        return st.lists(values(args[0]), max_size=3).map(tuple)
    if origin is Mapping:
        return st.dictionaries(st.text(max_size=8), values(args[1]), max_size=3)
    if hint is Fact:
        return st.one_of([made(cls) for cls in catalogue().values()])
    if hint in MADE:
        return MADE[hint]
    simple = {float: NUMBERS, int: st.integers(-(2**62), 2**62), bool: st.booleans(), str: st.text(max_size=20)}
    if hint in simple:
        return simple[hint]
    if hint in (ev.Picture, ev.StagePlan):
        return made(hint)
    return st.sampled_from(list(hint))


def made(cls: type) -> st.SearchStrategy[Any]:
    return st.builds(cls, **{k: values(h) for k, h in get_type_hints(cls).items() if k not in ("data",)})


EVENTS = st.one_of([made(cls) for cls in ev.kinds().values()])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


def through(event: ev.Event) -> ev.Event:
    return from_json(json.loads(json.dumps(to_json(event), allow_nan=False)))


@given(EVENTS)
def test_any_event_comes_back_as_it_was(event: ev.Event) -> None:
    back = through(event)

    assert type(back) is type(event)
    assert plain(back) == plain(event)
    hash_free = {k: type(v) for k, v in to_json(event).items()}
    assert hash_free == {k: type(v) for k, v in to_json(back).items()}


def test_every_event_class_is_known() -> None:
    """Nineteen kinds: a new one has to be looked at by the fold, the printers and this file."""
    assert len(ev.kinds()) == 20


@given(EVENTS, st.data())
def test_a_changed_field_is_read_or_refused_never_anything_else(event: ev.Event, data: st.DataObject) -> None:
    """Any JSON in place of any field: an event, or ValueError with a sentence."""
    obj = to_json(event)
    key = data.draw(st.sampled_from(sorted(obj)))
    obj[key] = data.draw(JSON)
    told = "an event"
    try:
        from_json(obj)
    except ValueError as e:
        told = str(e)

    assert told


@given(JSON)
def test_any_json_is_an_event_or_a_value_error(obj: Any) -> None:
    with pytest.raises(ValueError, match=r"event"):
        from_json(obj)


def test_a_field_of_the_wrong_type_is_named_with_what_was_expected() -> None:
    obj = to_json(ev.Progress(1.0, "link", 3.0, 10.0))
    for key, value, sentence in (
        ("done", "half", "Progress.done: expected a number, got 'half'"),
        ("stage", 7, "Progress.stage: expected str, got 7"),
        ("t", True, "Progress.t: expected a number, got True"),
        ("t", None, "Progress.t: expected a number, got None"),
    ):
        with pytest.raises(ValueError, match=sentence):
            from_json({**obj, key: value})
