"""Pins of a whole bench: what they read that are looked at, and what hurts when they are driven."""

from __future__ import annotations

import random

import pytest
from helpers_bench import GAUGE as WITH_GAUGE
from helpers_bench import mudlark

from benchctl.benchfile import parse
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.parts.agenda import Agenda
from benchctl.parts.surroundings import PinState
from benchctl.parts.world import World
from benchctl.terms import Role

HAND, CRAFT, GAUGE = Role.HAND, Role.CRAFT, Role.GAUGE
#: the harm is what these tests are about
pytestmark = pytest.mark.harm(*HarmKind)
PAIR = "[board.hand]\n[board.craft]\n"


def world(text: str = PAIR) -> World:
    return World(parse(mudlark(text).encode()), Agenda(), random.Random(3))


def found(w: World) -> dict[HarmKind, float]:
    return {e.kind: e.worst for e in w.harm.entries}


@pytest.mark.parametrize(
    ("role", "pin", "reads"),
    [
        (CRAFT, "PB0", (0, 1)),  # nothing there but the capture function's name
        (CRAFT, "PD5", (0, 1)),  # nothing at all: floats
        (HAND, "PD3", (1, 1)),  # a switch with its pull-up of 10 kΩ
        (HAND, "PD2", (1, 1)),  # IRQ, driven high
        (HAND, "PC6", (1, 1)),  # reset and its pull-up
        (CRAFT, "PD4", (0, 0)),  # an LED, which holds a pull-up down to its 2 V
    ],
)
def test_reads_of_a_pin_without_and_with_pull_up(role: Role, pin: str, reads: tuple[int, int]) -> None:
    """What tells a driven, a pulled and a floating pin apart."""
    assert world().nets.levels(role, pin) == reads


def test_a_pressed_switch_and_a_stick_are_read() -> None:
    """Closed: ground, pull-up or not. A stick at rest: the middle of the supply, whatever the pull-up does to it."""
    w = world()
    w.boards[HAND].switches["switch1"].press(0.0)
    w.agenda.run_to(0.1)
    assert w.nets.levels(HAND, "PD3") == (0, 0)
    plain = w.nets.share(HAND, "PC0", PinState.INPUT, 0.0)
    pulled = w.nets.share(HAND, "PC0", PinState.PULLED_UP, 0.0)
    assert plain == pytest.approx(0.5, abs=0.01)
    # 2.5 kΩ of the track against 35 kΩ: a fifteenth of the way to the supply
    assert pulled == pytest.approx(plain + (1 - plain) * 2.5 / 37.5, abs=0.005)


def test_a_floating_pin_wanders_at_the_converter() -> None:
    """Nothing holds it: readings differ from instant to instant; with the pull-up it is at the supply."""
    w = world()
    seen = [w.nets.share(CRAFT, "PC3", PinState.INPUT, n * 1e-3) for n in range(20)]
    assert max(seen) - min(seen) > 0.2
    assert w.nets.share(CRAFT, "PC3", PinState.PULLED_UP, 0.0) > 0.9


def test_an_output_against_irq() -> None:
    """A pin driven low against IRQ, which rests high: 3.3 V through 50 Ω and 25 Ω are 44 mA."""
    w = world()
    w.nets.set(HAND, "PD2", PinState.LOW, 0.0)
    assert found(w)[HarmKind.OUTPUTS] == pytest.approx(44.0, rel=0.01)
    assert HarmKind.PIN_CURRENT in found(w)


def test_irq_above_its_supply() -> None:
    """A pin driven high against it: 5 V on an output of a 3.3 V part."""
    w = world()
    w.nets.set(HAND, "PD2", PinState.HIGH, 0.0)
    assert HarmKind.OVER_VOLTAGE in found(w)


def test_inputs_of_the_transceiver_take_five_volts() -> None:
    """CE and CSN driven either way hurt nothing: its inputs take 5.25 V with a supply of 3.3 V."""
    w = world()
    for pin in ("PD6", "PD7", "PB3", "PB5"):
        for state in PinState:
            w.nets.set(HAND, pin, state, 0.0)
    assert not w.harm


def test_a_switch_line_driven_high_is_shorted_by_its_contact() -> None:
    """5 V through the pin's 25 Ω: 200 mA."""
    w = world()
    w.nets.set(HAND, "PD3", PinState.HIGH, 0.0)
    assert not w.harm
    w.boards[HAND].switches["switch1"].press(0.0)
    w.agenda.run_to(0.1)
    assert found(w)[HarmKind.PIN_CURRENT] == pytest.approx(200.0, rel=0.02)


def test_an_led_without_its_resistor() -> None:
    """3 V over 25 Ω and 10 Ω: 86 mA; with 330 Ω 8 mA hurt nothing."""
    w = world()
    w.nets.set(HAND, "PD4", PinState.HIGH, 0.0)
    assert not w.harm
    w = world(PAIR + "[board.hand.led]\nseries_ohms = 10.0\n")
    w.nets.set(HAND, "PD4", PinState.HIGH, 0.0)
    assert found(w)[HarmKind.PIN_CURRENT] == pytest.approx(1000 * 3.0 / 35.0, rel=0.02)


def test_a_jumper_feeds_a_board_without_supply_until_it_is_pulled() -> None:
    """4.5 V through 4.7 kΩ: 0.95 mA into the clamp diode of the unpowered hand unit; none when the jumper is out."""
    w = world()
    w.nets.set(CRAFT, "PB1", PinState.HIGH, 0.0)
    assert not w.harm
    w.boards[HAND].power_off(0.0)
    assert found(w) == {HarmKind.FED: pytest.approx(0.948, rel=0.01)}
    w = world()
    w.boards[HAND].lift_jumpers(True, 0.0)
    w.boards[HAND].power_off(0.0)
    w.nets.set(CRAFT, "PB1", PinState.HIGH, 0.0)
    assert not w.harm
    w.boards[HAND].lift_jumpers(False, 0.0)
    assert HarmKind.FED in found(w)


def test_a_five_volt_board_feeds_one_of_three_volts() -> None:
    """5 V at a pin of a chip with 3.3 V: (5 - 3.8) V through 4.7 kΩ."""
    w = world(PAIR + "[board.hand.rail.main]\nsource_volts = 3.3\n")
    w.nets.set(CRAFT, "PB1", PinState.HIGH, 0.0)
    assert found(w)[HarmKind.FED] == pytest.approx(1000 * 1.2 / 4745, rel=0.01)


def test_exchanged_wires_are_where_they_are_soldered() -> None:
    """IRQ soldered to CE's line: CE driven low meets the transceiver's output."""
    w = world(PAIR + '[board.hand.radio.irq]\nto_line = "ce"\n[board.hand.radio.ce]\nto_line = "irq"\n')
    assert w.nets.levels(HAND, "PD6") == (1, 1)
    assert w.nets.levels(HAND, "PD2") == (0, 1)
    w.nets.set(HAND, "PD6", PinState.LOW, 0.0)
    assert HarmKind.OUTPUTS in found(w)


def test_gauge_pulls_a_switch_low_through_its_resistor() -> None:
    """1 kΩ against the pull-up of 10 kΩ leaves 0.5 V: low (the sheet asks for 0.3 of the supply), and 0.5 mA."""
    text = PAIR + WITH_GAUGE + '[[wire]]\nfrom = "gauge.stimulus"\nto = "hand.switch1"\n'
    w = world(text)
    w.nets.set(GAUGE, "PD3", PinState.LOW, 0.0)
    assert w.nets.volts(HAND, "PD3") == pytest.approx(5.0 * 1025 / 11025, rel=0.02)
    assert w.nets.levels(HAND, "PD3")[0] == 0
    assert not w.harm
