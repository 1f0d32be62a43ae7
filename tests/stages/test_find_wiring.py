"""Set-up finds what is wired where on pairs that it was not told of, and drives nothing that others drive."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

import strangers
from random_pairs import random_pair

from benchctl import benchfile
from benchctl.facts import WiringUnsure
from benchctl.pairfile import PairSpec, load
from benchctl.report.as_pair import found_pair
from benchctl.terms import Role, Verdict


def bench(pair: PairSpec, text: str = "", kind: str = "sim") -> benchfile.BenchSpec:
    """A healthy bench of the pair, before anybody has said or stored anything; text: physics besides."""
    return benchfile.parse(f'kind = "{kind}"\n{text}'.encode(), "bench.toml", pair=pair).unspoken()


@pytest.mark.parametrize("name", ["mudlark", "mudlark-modules", "mudlark-low-volt"])
def test_shipped_pairs(name: str, tmp_path: Path) -> None:
    """Every function of the shipped pairs is named rightly, with nothing hurt."""
    pair, out = load(name), strangers.Outcome(0)

    made, verdict, harm = strangers.perform("set-up", bench(pair), tmp_path)
    strangers.compare(pair, found_pair(made.summary), out)

    assert (verdict, out.wrong, out.unknown, harm) == (Verdict.PASS, [], [], [])


@pytest.mark.long
@pytest.mark.parametrize("seed", [7001, 7002, 7003])
def test_pairs_of_strangers(seed: int) -> None:
    """Pins drawn at random, IRQ wired or not, switches either way, 8 or 16 MHz: found, and brought up by it."""
    out = strangers.one(seed, "sim")

    assert (out.wrong, out.unknown, out.harm, out.bring_up) == ([], [], [], Verdict.PASS), out.reasons


@pytest.mark.long
@pytest.mark.timeout(600)
def test_a_strangers_pair_on_avr() -> None:
    """The same with the real firmware image."""
    out = strangers.one(7004, "avr")

    assert (out.wrong, out.unknown, out.harm, out.bring_up) == ([], [], [], Verdict.PASS), out.reasons


@pytest.mark.long
@pytest.mark.timeout(600)
def test_an_led_at_the_select_input_on_avr() -> None:
    """An LED to ground at SS pulls it low and so ends every transfer (ATmega328P data sheet, section 19.3.2): it is
    found first, and the transceiver then."""
    assert {board.pin("led") for board in random_pair(12).boards.values()} == {"PB2"}

    out = strangers.one(12, "avr", then="")

    assert (out.wrong, out.unknown, out.harm) == ([], [], [])


def test_no_transceiver(tmp_path: Path) -> None:
    """Where no transceiver answers, its pins are not guessed."""
    pair = load("mudlark-modules")

    made, verdict, _ = strangers.perform("set-up", bench(pair, "[board.hand.radio]\nfitted = false\n"), tmp_path)
    found = found_pair(made.summary)

    assert verdict is Verdict.UNDECIDED
    assert found is not None
    assert "radio_csn" not in found.boards[Role.HAND].pins
    unsure = [f for s in made.summary.stages.values() for f in s.facts if isinstance(f, WiringUnsure)]
    assert [(f.key, f.candidates) for f in unsure] == [("pins.radio_csn", ())]


def test_a_known_pin_is_not_asked_again(tmp_path: Path) -> None:
    """What a pair file has already is kept, and nothing is asked or tried about it: set-up can be taken up again."""
    pair = load("mudlark")
    known = replace(bench(pair), pair=pair)

    made, verdict, _ = strangers.perform("set-up", known, tmp_path)

    assert verdict is Verdict.PASS
    found = found_pair(made.summary)
    assert found is not None
    assert found.boards[Role.HAND].pins == pair.boards[Role.HAND].pins


def test_random_pairs_are_unlike() -> None:
    """The generator draws: no two of twenty pairs have the same pins."""
    pins = {tuple(sorted(random_pair(seed).boards[Role.CRAFT].pins.items())) for seed in range(20)}

    assert len(pins) == 20
