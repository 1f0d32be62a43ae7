"""Pair files: facts checked, what is not stated unknown, every complaint a sentence with place and expectation."""

from __future__ import annotations

import contextlib
import dataclasses
import tomllib
from pathlib import Path
from typing import Any

import pytest
from helpers import MUDLARK_PINS
from hypothesis import given
from hypothesis import strategies as st

from benchctl import pairfile
from benchctl.declare import owner_wiring
from benchctl.errors import UsageError
from benchctl.pairfile import PairSpec, as_toml, parse, reader
from benchctl.pairfile.keys import Form, keys_of
from benchctl.session.owner_wiring import OwnerWiring
from benchctl.terms import Role
from benchctl.wire.catalogue import NO_PIN, Function, PulseKind


def same(a: PairSpec, b: PairSpec) -> bool:
    plain = [dataclasses.replace(s, sha256="", path="", name="") for s in (a, b)]
    return plain[0] == plain[1]


@pytest.mark.parametrize("name", pairfile.shipped())
def test_every_shipped_pair_reads_and_can_be_written(name: str) -> None:
    """Each file in data/pairs is valid; written out and read again it is the same."""
    pair = pairfile.load(name)

    assert set(pair.boards) == {Role.HAND, Role.CRAFT}
    assert pair.name == name
    assert same(parse(as_toml(pair).encode()), pair)


def test_shipped_pairs_differ_where_pairs_do() -> None:
    """One of bought modules without IRQ, one at 8 MHz and 3.3 V; no function of theirs is where the demo has it but by chance."""
    modules, low = pairfile.load("mudlark-modules"), pairfile.load("mudlark-low-volt")

    assert {b.pins["radio_irq"] for b in modules.boards.values()} == {"none"}
    assert {(b.clock_mhz, b.supply.logic_v) for b in low.boards.values()} == {(8, 3.3)}


def test_what_is_not_stated_is_unknown() -> None:
    """A board of which nothing is said declares no pin, no output and no setting of the demo's."""
    owner = owner_wiring(parse(b"[board.craft]\n[board.hand]\n"), Role.CRAFT)

    assert set(owner.pins) == set(Function) - {Function.RADIO_MISO}
    assert set(owner.pins.values()) == {NO_PIN}
    assert owner.pulse_kinds == (PulseKind.NONE,) * 6
    assert owner.settings == {"self_stimulus": 0}
    assert (owner.brown_out_v, owner.usb_apart, owner.label, dict(owner.loads_ma)) == (None, None, "", {})


def test_declaration_is_what_the_file_says() -> None:
    """Mudlark's own, function by function, kind by kind."""
    owner = owner_wiring(pairfile.load("mudlark"), Role.CRAFT, "mudlark-craft-07")
    said = {f: p for f, p in owner.pins.items() if p != NO_PIN}

    assert said == {f: p for f, p in MUDLARK_PINS.items() if f.name.lower() in pairfile.load("mudlark").boards[Role.CRAFT].wired()}
    assert owner.pulse_kinds[:3] == (PulseKind.SERVO, PulseKind.MOTOR, PulseKind.NONE)
    assert owner.label == "mudlark-craft-07"
    assert owner.loads_ma["led"] == pytest.approx(1000 * (5 - 2) / 330)


def test_an_amplifier_a_lamp_and_a_relay_are_declared() -> None:
    """What stages and session need of them."""
    text = '[board.hand.radio]\nkind = "amplified"\n[board.hand.led]\nlights = "low"\nresistor_ohms = 1000\nbeside_ma = 80\n'
    text += "[board.hand.supply]\nlogic_v = 3.3\n[board.hand.radio]\n".replace("[board.hand.radio]\n", "")
    owner = owner_wiring(parse(text.encode()), Role.HAND, via="craft")

    assert owner.loads_ma == {"transmit": 115.0, "led": pytest.approx(81.3)}
    assert owner.settings == {"self_stimulus": 0, "led_active_low": 1, "air_reach": 1}


def test_what_is_lacking_names_the_key() -> None:
    """A stage that needs what nobody has stated is told which key to set; what is known not to be there is told so."""
    text = '[board.craft.pins]\nled = "none"\npulse1 = "D9"\n[board.craft.output.pulse1]\ndrives = "servo"\n'
    owner = owner_wiring(parse(text.encode(), "mine.toml"), Role.CRAFT)

    assert owner.lacks(Role.CRAFT, "servo") == owner.lacks(Role.CRAFT, "sensor") == ""
    assert owner.lacks(Role.CRAFT, "led") == "the craft unit has no led"
    assert "set board.craft.pins.radio_csn in the pair file" in owner.lacks(Role.CRAFT, "radio_csn")
    assert "declared as a motor: board.craft.output.NAME.drives" in owner.lacks(Role.CRAFT, "motor")
    assert owner.channel(PulseKind.SERVO) == 1
    assert "--pair" in OwnerWiring().lacks(Role.HAND, "switch1")
    assert OwnerWiring().lacks(Role.HAND, "radio_ce") == ""


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[board.hand.pins]\nled = 'D13'", "pair p.toml, board.hand.pins.led: D13 (PB5) is SCK"),
        ("[board.hand.pins]\nled = 'D3'\nswitch1 = 'PD3'", "board.hand.pins.switch1: D3 (PD3) has led on it already"),
        ("[board.hand.pins]\nled = 'D33'", "board.hand.pins.led: expected a pin such as \"D9\", \"A0\" or \"PB1\", or \"none\", got 'D33'; did you mean D3?"),
        ("[board.hand.pins]\nled = 4", "expected a pin such as"),
        ("[board.hand.pins]\njoyx = 'A0'", "board.hand.pins.joyx: unknown function; did you mean joy_x?"),
        ("[board.hand.pins]\njoy_x = 'D4'", "D4 (PD4) is no input of the converter"),
        ("[board.hand]\nprocesor = '328P'", "procesor: unknown key; did you mean processor?"),
        ("[board.hand]\nprocessor = '328'", "expected one of \"328P\", \"328PB\", got '328'; did you mean 328P?"),
        ("[board.hand]\nclock_mhz = 12", "expected one of 16, 8, got 12"),
        ("[board.hand]\nbulk_uf = 3", "board.hand.bulk_uf: unknown key"),
        ("[board.hand.settings]\nradio_chanel = 3", "settings.radio_chanel: unknown setting; did you mean radio_channel?"),
        ("[board.hand.settings]\nradio_channel = 200", "expected a whole number from 0 to 125, got 200"),
        ("[board.hand.switch.switch1]\npull = 'chip'", "switch.switch1: expected its pin too"),
        ("[board.hand.pins]\nswitch1 = 'D3'\n[board.hand.switch.switch1]\ncloses_to = 'supply'\npull = 'chip'", "the chip can pull a line up only"),
        ("[board.craft.output.pulse1]\ndrives = 'servo'", "output.pulse1: expected its pin too"),
        ("[board.craft.pins]\npulse1 = 'D9'\n[board.craft.output.pulse1]\ndrives = 'servo'\nidle_us = 1000", "pulse1.idle_us: goes with another kind of output"),
        ("[board.craft.pins]\npulse1 = 'D9'\n[board.craft.output.pulse1]\nidle_us = 1000", "pulse1.drives: expected"),
        ("[board.craft.pins]\npulse1 = 'D9'\n[board.craft.output.pulse1]\ndrives = 'motor'\nways = 'one-way'\nidle_us = 1500", "expected 800 to 1200 µs"),
        ("[board.craft.pins]\npulse1 = 'D9'\n[board.craft.output.pulse1]\ndrives = 'motor'\nways = 'reversible'\nidle_us = 1000", "expected 1400 to 1600 µs"),
        ("[board.craft.pins]\npulse1 = 'D9'\n[board.craft.output.pulse1]\ndrives = 'motor'\nidle_us = 1500\nfull_us = 1600", "expected at least 300 µs more"),
        ("[board.hand.supply]\nbattery_pin = 'D3'", "battery_pin: expected an input of the converter"),
        ("[board.hand]\nlabel = 'x'\n[board.craft]\nlabel = 'x'", "expected another label than board.hand"),
        ("[board.hand]\npins.led='D4'\nsupply.logic_v=5.0\n[board.craft]\npins.capture='D8'\nsupply.logic_v=3.3\n"
         "[[jumper]]\nfrom = 'hand.led'\nto = 'craft.capture'", "jumper[0].from: expected an output of 3.3 V"),
        ("[board.hand]\n[[jumper]]\nfrom = 'hand.led'\nto = 'craft.capture'", "jumper[0].from: expected a function with a pin"),
        ("[board.hand.pins]\nled='D4'\n[[jumper]]\nfrom = 'hand.led'\nto = 'craft.capture'", "jumper[0].to: expected role.function"),
        ("[board.boat]", "board.boat: unknown name; known are hand, craft, gauge"),
        ("nam = 'x'", "nam: unknown key; did you mean name?"),
        ("name = 'x'", "board: expected at least one board"),
        ("= [", "not readable as TOML"),
    ],
)  # fmt: skip
def test_complaint_names_place_and_expectation(text: str, sentence: str) -> None:
    """One sentence says where and what was expected; a misspelt word comes with the right one."""
    with pytest.raises(UsageError) as caught:
        parse(text.encode(), "p.toml")

    assert sentence in str(caught.value)


def test_own_pairs_come_before_shipped_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is looked for in the user's folder first; a file counts from the folder of the file that names it."""
    monkeypatch.setattr(reader, "folder", lambda: tmp_path)
    (tmp_path / "mudlark.toml").write_text('[board.hand]\nlabel = "mine"\n')

    assert pairfile.load("mudlark").boards[Role.HAND].label == "mine"
    assert pairfile.load("mudlark.toml", tmp_path).name == "mudlark"
    with pytest.raises(UsageError, match="no such file and no known pair; did you mean mudlark"):
        pairfile.load("mudlrk")
    with pytest.raises(UsageError, match="cannot be read"):
        pairfile.load(str(tmp_path))


# Invariant: any tree either gives a pair or UsageError, whatever is in it; a pair that is written reads the same.
LEAVES = st.one_of(
    st.booleans(), st.integers(-10, 200000), st.floats(allow_nan=True, allow_infinity=True), st.text(max_size=8),
    st.sampled_from(["D4", "A0", "PB1", "none", "servo", "motor", "chip", "supply", "ground", "plain"]), st.just({}),
)  # fmt: skip


def _places(cls: type, at: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    out: list[tuple[str, ...]] = []
    for name, (_, key, _default) in keys_of(cls).items():
        inner = (*at, name)
        if key.form is Form.NAMED and key.table is not None:
            inner = (*inner, "craft" if name == "board" else key.names[0])
        out += [inner, *((*inner, one) for one in key.names if key.form is Form.PINS)]
        if key.table is not None and key.form is not Form.LIST:
            out += _places(key.table, inner)
    return out


PLACES = _places(PairSpec)


def _text_of(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" for c in value if not 0xD800 <= ord(c) < 0xE000) + '"'
    return "{}" if isinstance(value, dict) else repr(value)


@given(st.lists(st.tuples(st.sampled_from(PLACES), LEAVES), min_size=1, max_size=6))
def test_any_mutation_is_a_pair_or_a_sentence(changes: list[tuple[tuple[str, ...], Any]]) -> None:
    """Whatever stands at whatever key: a valid pair that survives writing, or UsageError, never anything else."""
    text = "board.hand = {}\n" + "\n".join(".".join(place) + " = " + _text_of(value) for place, value in changes)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    try:
        pair = parse(text.encode())
    except UsageError:
        return

    assert same(parse(as_toml(pair).encode()), pair)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_sentence(data: bytes) -> None:
    """No bytes get past the reader with another exception."""
    with contextlib.suppress(UsageError):
        parse(data)
