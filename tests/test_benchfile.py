"""Bench files: every key checked, every complaint a sentence with place and expectation, one table behind all."""

from __future__ import annotations

import contextlib
import dataclasses
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchctl.benchfile import BenchSpec, load, parse, reference, shipped_benches
from benchctl.errors import UsageError
from benchctl.pairfile.keys import Form, keys_of
from benchctl.terms import Role

PAIR = 'pair = "mudlark"\n'


@pytest.mark.parametrize("name", shipped_benches())
def test_every_shipped_bench_reads(name: str) -> None:
    """Each file in data/benches is a valid bench."""
    assert load(name).boards


def test_short_names_differ_in_kind_only() -> None:
    """`sim` and `avr` are one bench run in two ways."""
    sim, avr = load("sim"), load("avr")

    assert (sim.kind, avr.kind) == ("sim", "avr")
    assert sim.with_changes(kind="avr") == avr


def test_ports_is_a_real_bench_without_boards() -> None:
    """`ports` leaves it to discovery which boards there are."""
    assert load("ports").kind == "ports"
    assert not load("ports").boards


def test_changes_leave_the_rest() -> None:
    """Seed, kind and labels can be set from the command line."""
    changed = load("sim").with_changes(seed=7, labels={Role.HAND: "mudlark-hand-05"})

    assert changed.seed == 7
    assert changed.boards[Role.HAND].label == "mudlark-hand-05"
    assert changed.boards[Role.CRAFT] == load("sim").boards[Role.CRAFT]


def test_one_key_of_a_default_entry_can_be_changed() -> None:
    """A faulty board is written by the number that is wrong and nothing else."""
    spec = parse((PAIR + "[board.hand.rail.radio]\nbulk_uf = 0.5\n").encode())
    healthy = parse(PAIR.encode())
    radio = spec.boards[Role.HAND].rail["radio"]

    assert radio == dataclasses.replace(healthy.boards[Role.HAND].rail["radio"], bulk_uf=0.5)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "[board.hand.rail.main]\nbulk_uf = 'big'",
            "bench b.toml, board.hand.rail.main.bulk_uf: expected a number of µF from 0 to 100000, got 'big'",
        ),
        (
            "[board.hand.rail.main]\nbulk_fu = 1",
            "bench b.toml, board.hand.rail.main.bulk_fu: unknown key; did you mean bulk_uf?",
        ),
        ("[board.hand]\nclock_hz = 12000000", "board.hand.clock_hz: expected one of 16000000, 8000000, got 12000000"),
        ("[board.hand]\ntold = 1", "board.hand.told: expected true or false, got 1"),
        ("[board.hnd]", "board.hnd: unknown name; did you mean hand?"),
        ("[board.hand]\nlabel = 'a label that is too long'", "board.hand.label: expected a text of at most 16 bytes"),
        ("[board.hand.pins]\nled = 'PD9'", "board.hand.pins.led: expected a pin such as"),
        ("[board.hand.pins]\nled = 'PD3'", "expected another pin than led, got 'PD3'"),
        ("[board.hand.pins]\nswich1 = 'D4'", "swich1: unknown function; did you mean switch1?"),
        ("[board.gauge]", "board.gauge: expected a board of pair mudlark, which has hand, craft"),
        ("only = ['gauge']", "board.gauge: expected a board of pair mudlark"),
        ("[board.hand.settings]\nradio_chanel = 3", "unknown setting; did you mean radio_channel?"),
        ("[board.hand.settings]\nradio_channel = 126", "expected a whole number from 0 to 125, got 126"),
        ("kind = 'serial'\n[board.hand.rail.main]\nbulk_uf = 1", "board.hand.rail: this is of a modelled board"),
        ("kind = 'serial'\n[air]\npath_loss_db = 60", "air: this is of a modelled board"),
        (
            "[board.hand.radio]\nrail = 'rf'",
            "board.hand.radio.rail: expected the name of a rail (main, radio), got 'rf'",
        ),
        ("[board.hand.rail.main]\nfed_from = 'radio'", "fed_from: expected a feed that leads to a source"),
        ("[board.hand.rail.main]\nfed_from = 'sun'", "expected the name of a rail of this board, got 'sun'"),
        ("[board.hand.load.lamp]\nburst_every_ms = 1\nburst_ms = 5", "expected more than burst_ms = 5, or 0"),
        ("only = ['hand']\n[board.hand]\nvia = 'craft'", "board.hand.via: expected the role of another board"),
        ("[board.craft.servo.pulse1]\nmin_us = 2500", "servo.pulse1.max_us: expected more than min_us"),
        ("[board.craft.servo.pulse2]", "expected one thing on pulse2"),
        ("only = ['hand']\n[[wire]]\nfrom = 'hand.led'\nto = 'craft.capture'", "wire[0].to: expected role.function"),
        ("[board.hand]\n[[wire]]\nfrom = 'hand.watch1'\nto = 'hand.capture'", "the hand board has none for watch1"),
        ("[board.hand.joystick.x]\nworn_counts = [[340, 300]]", "expected a list of pairs of numbers, low before high"),
        (
            "[board.hand]\nlabel = 'a'\n[board.craft]\nlabel = 'a'",
            "craft.label: expected another label than board.hand",
        ),
        ("[air]\npath_loss_db = nan\n[board.hand]", "air.path_loss_db: expected a number of dB from 0 to 200, got nan"),
        ("board = 3", "board: expected a table of tables, got 3"),
        ("name = ", "not readable as TOML"),
        ("a = " + "[" * 5000, "not readable as TOML"),
    ],
)
def test_complaint_names_place_and_expectation(text: str, sentence: str) -> None:
    """One sentence says where and what was expected."""
    with pytest.raises(UsageError) as caught:
        parse((PAIR + text).encode(), "b.toml")

    assert sentence in str(caught.value)


def test_not_text_is_a_sentence() -> None:
    """Bytes that are no UTF-8 are named as such."""
    with pytest.raises(UsageError, match="expected UTF-8 text, byte 1"):
        parse(b"\xff\xfe", "b.toml")


def test_missing_file_lists_what_there_is(tmp_path: Path) -> None:
    """A wrong name is answered with the right ones."""
    for asked in (str(tmp_path / "no.toml"), "mudlrk"):
        with pytest.raises(UsageError, match=r"no such file and no known bench; (did you mean mudlark|known are sim, avr, ports)"):
            load(asked)
    with pytest.raises(UsageError, match="cannot be read"):
        load(str(tmp_path))


def test_reference_has_every_key_once() -> None:
    """The page is made from the same table, so no key is missing."""
    page = reference()

    def walk(cls: type) -> None:
        for name, (_, key, _default) in keys_of(cls).items():
            if key.table is not None:
                walk(key.table)
            else:
                assert f"| `{name}` |" in page
            assert key.doc

    walk(BenchSpec)


# Invariant: any tree either gives a bench or UsageError, whatever is in it.
LEAVES = st.one_of(
    st.none().map(lambda _: "x"),
    st.booleans(),
    st.integers(-(10**6), 10**6),
    st.floats(allow_nan=True, allow_infinity=True),
    st.text(max_size=8),
    st.lists(st.integers(0, 9), max_size=3),
    st.just({}),
)


def _places(cls: type, at: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    out: list[tuple[str, ...]] = []
    for name, (_, key, _default) in keys_of(cls).items():
        inner = (*at, name)
        if key.form is Form.NAMED and key.table is not None:
            inner = (*inner, {"board": "craft", "switch": "switch1"}.get(name, key.names[1] if key.names else "main"))
        out.append(inner)
        if key.table is not None:
            out += _places(key.table, inner)
    return out


PLACES = _places(BenchSpec)


def _text_of(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" for c in value if not 0xD800 <= ord(c) < 0xE000) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(_text_of, value)) + "]"
    return "{}" if isinstance(value, dict) else repr(value)


@given(st.lists(st.tuples(st.sampled_from(PLACES), LEAVES), min_size=1, max_size=3))
def test_any_mutation_is_a_bench_or_a_sentence(changes: list[tuple[tuple[str, ...], Any]]) -> None:
    """Whatever stands at whatever key: a valid bench, or UsageError, never anything else."""
    lines = [".".join(place) + " = " + _text_of(value) for place, value in changes]
    text = PAIR + "\n".join(lines)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        with pytest.raises(UsageError):
            parse(text.encode())
        return
    try:
        parse(text.encode())
    except UsageError as e:
        complaint = str(e)
    else:
        complaint = ""

    assert not complaint or any(word in complaint.lower() for word in ("expected", "unknown", "no such file"))


@given(st.binary(max_size=60))
def test_any_bytes_are_a_sentence(data: bytes) -> None:
    """No bytes get past the reader with another exception."""
    with contextlib.suppress(UsageError):
        parse(data)
