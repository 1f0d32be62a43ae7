"""The world: parts, wires and rails connected as the bench file says."""

from __future__ import annotations

import random

import pytest
from helpers_bench import GAUGE, mudlark

from benchctl.benchfile import load, parse
from benchctl.errors import UsageError
from benchctl.parts.agenda import Agenda
from benchctl.parts.board import Board
from benchctl.parts.world import World, stored_settings
from benchctl.terms import Role

PAIR = "[board.hand]\n[board.craft]\n"
TRIO = (
    PAIR
    + GAUGE
    + "".join(
        f"[[wire]]\nfrom = '{start}'\nto = '{to}'\n"
        for start, to in (
            ("gauge.stimulus", "hand.switch1"),
            ("gauge.stick_out", "hand.joy_x"),
            ("craft.led", "gauge.watch1"),
            ("craft.pulse1", "gauge.capture"),
            ("hand.reset", "gauge.reset_watch1"),
            ("craft.vcc", "gauge.sense_vcc2"),
        )
    )
)


def made(text: str = PAIR, seed: int = 1) -> tuple[World, Agenda, Board, Board]:
    agenda = Agenda()
    world = World(parse(mudlark(text).encode()), agenda, random.Random(seed))
    return world, agenda, world.boards[Role.HAND], world.boards[Role.CRAFT]


def test_healthy_pair_is_healthy() -> None:
    """All rails at their volts, nobody held in reset, both transceivers alive."""
    agenda = Agenda()
    world = World(load("sim"), agenda, random.Random(1))
    agenda.run_to(1.0)

    for board in world.boards.values():
        assert board.supply.volts(1.0) == pytest.approx(5.0, abs=0.05)
        assert board.rails["radio"].volts(1.0) == pytest.approx(3.3, abs=0.01)
        assert not board.held
        assert board.radio.alive


def test_jumper_carries_the_pulse_to_the_other_board() -> None:
    """Edges at the servo header arrive at the capture input at the same instant."""
    _, _, hand, craft = made()
    seen: list[tuple[float, float]] = []
    hand.inputs["capture"].connect(lambda level, time: seen.append((level, time)))
    craft.outputs["pulse1"].set(1.0, 0.1)
    craft.outputs["pulse1"].set(0.0, 0.1015)

    assert seen == [(1.0, 0.1), (0.0, 0.1015)]


def test_open_wire_carries_nothing() -> None:
    """open = true: not plugged in."""
    _, _, hand, craft = made(PAIR + "[[wire]]\nfrom = 'craft.pulse1'\nto = 'hand.capture'\nopen = true")
    craft.outputs["pulse1"].set(1.0, 0.1)

    assert hand.inputs["capture"].level == 0.0


def test_gauge_stimulates_and_senses() -> None:
    """It pulls the switch line, moves the joystick input, sees LED, reset line and half the supply."""
    world, _, hand, craft = made(TRIO)
    gauge = world.boards[Role.GAUGE]
    gauge.outputs["stimulus"].set(0.0, 0.1)
    gauge.outputs["stick_out"].set(0.25, 0.1)
    craft.outputs["led"].set(1.0, 0.1)
    hand.reset_line.set(0.0, 0.1)
    readings = [hand.analog("joy_x", 1.0) for _ in range(100)]

    assert hand.inputs["switch1"].level == 0.0
    assert gauge.inputs["watch1"].level == 1.0
    assert gauge.inputs["reset_watch1"].level == 0.0
    assert sum(readings) / 100 == pytest.approx(1.25, abs=0.01)
    assert gauge.analog("sense_vcc2", 1.0) == pytest.approx(2.5, abs=0.02)


def test_filtered_output_is_the_mean_of_its_pulses() -> None:
    """A 30 % duty at 4 kHz reads 30 % of the supply, with a small ripple."""
    world, *_ = made(TRIO)
    out = world.boards[Role.GAUGE].outputs["stick_out"]
    for n in range(400):
        out.set(1.0, n * 250e-6)
        out.set(0.0, n * 250e-6 + 75e-6)

    assert world.boards[Role.GAUGE].stick_out_volts(0.1) == pytest.approx(1.5, abs=0.05)


def test_senseless_wire_is_refused() -> None:
    """A wire into something that cannot sense is an error with both ends."""
    with pytest.raises(UsageError, match=r"from craft\.led to hand\.led"):
        made(PAIR + "[[wire]]\nfrom = 'craft.led'\nto = 'hand.led'")


def test_transceiver_current_is_on_its_rail() -> None:
    """What the transceiver draws, its rail and the feeding rail carry."""
    _, _, hand, _ = made()
    before = hand.supply.load
    hand.radio.current.set(11.3e-3, 0.1)

    assert hand.rails["radio"].load == pytest.approx(11.3e-3)
    assert hand.supply.load - before == pytest.approx(11.3e-3, abs=1e-6)


def test_droop_makes_the_transceiver_forget() -> None:
    """A high-power module on 50 mA with 1 µF: the first burst takes its settings, the processor runs on."""
    text = PAIR + (
        "[board.hand.radio]\nvariant = 'high-power'\n[board.hand.rail.radio]\nregulator_limit_ma = 50\nbulk_uf = 1\n"
    )
    _, agenda, hand, _ = made(text)
    hand.spi.exchange(bytes([0x25, 76]), 0.01)
    agenda.run_to(0.02)
    assert hand.spi.exchange(bytes([0x05, 0]), 0.02)[1] == 76

    hand.radio.current.set(0.115, 0.03)
    agenda.run_to(0.031)
    hand.radio.current.set(0.0, 0.031)
    agenda.run_to(0.1)

    # nRF24L01+ Product Specification v1.0, Table 28: RF_CH is 2 after power-on reset
    assert hand.spi.exchange(bytes([0x05, 0]), 0.1)[1] == 2
    assert not hand.held


@pytest.mark.parametrize(("ohms", "held"), [(0.25, False), (4.0, True)])
def test_servo_on_the_logic_rail_resets_through_a_weak_source(ohms: float, held: bool) -> None:
    """650 mA through 4 Ω are 2.6 V: below the 2.7 V brown-out level; through 0.25 Ω nothing happens."""
    text = PAIR + f"[board.craft.servo.pulse1]\nrail = 'main'\n[board.craft.rail.main]\nseries_ohms = {ohms}\n"
    world, agenda, _, craft = made(text)
    told: list[tuple[Role, bool]] = []
    world.on_held(lambda role, on, time: told.append((role, on)))
    agenda.run_to(0.1)
    craft.outputs["pulse1"].set(1.0, 0.1)
    agenda.run_to(0.102)
    craft.outputs["pulse1"].set(0.0, 0.102)
    agenda.run_to(2.0)

    assert bool(told) == held
    if held:
        assert told == [(Role.CRAFT, True), (Role.CRAFT, False)] * (len(told) // 2)


@pytest.mark.harm("servo-ends")
@pytest.mark.pulses("a pin is high for 0.1 s, by hand")
def test_held_processor_lets_go_of_its_pins() -> None:
    """In reset every output goes to its rest: LED dark, pulse low, CE low."""
    world, agenda, _, craft = made()
    for name in ("led", "pulse1", "radio_ce"):
        craft.outputs[name].set(1.0, 0.1)
    agenda.run_to(0.2)
    world.power_off(Role.CRAFT)
    agenda.run_to(0.5)

    assert craft.held
    assert [craft.outputs[name].level for name in ("led", "pulse1", "radio_ce")] == [0.0, 0.0, 0.0]
    world.power_on(Role.CRAFT)
    agenda.run_to(1.0)
    assert not craft.held


def test_without_brown_out_detector_only_power_loss_holds() -> None:
    """Level 0: a dip to 1.5 V goes unnoticed, below 1.0 V memory is lost."""
    text = "[board.hand]\n[board.craft]\nbrown_out_v = 0.0\n"
    world, agenda, _, craft = made(text)
    told: list[str] = []
    world.on_held(lambda role, on, time: told.append("held" if on else "free"))
    world.on_memory_lost(lambda role, time: told.append("lost"))
    agenda.run_to(0.1)
    craft.supply.set_load("short", 13.0, 0.1)
    agenda.run_to(0.2)
    assert 1.0 < craft.supply.volts(0.2) < 1.8
    assert told == []
    craft.supply.set_load("short", 17.0, 0.2)
    agenda.run_to(0.3)

    assert told == ["held", "lost"]


def test_motor_shakes_the_sensor() -> None:
    """Vibration at the sensor's accelerometer comes from the motor's speed."""
    _, _, _, craft = made()
    craft.twi.exchange(0x68, bytes([0x6B, 0]), 0, 0.0)

    def spread(start: float) -> float:
        rows = []
        for n in range(200):
            data = craft.twi.exchange(0x68, b"\x3b", 2, start + n * 1e-3)
            assert data is not None
            rows.append(int.from_bytes(data, "big", signed=True) / 16384)
        return max(rows) - min(rows)

    still = spread(1.0)
    craft.motors["pulse2"].set_throttle(0.8, 2.0)

    assert still < 0.06
    assert spread(4.0) > 0.3


def test_same_seed_same_world() -> None:
    """Two worlds of one description and seed draw alike; another part's numbers change nothing for the rest."""
    hands = [made(PAIR, 3)[2], made(PAIR, 3)[2], made(PAIR + "[board.hand.led]\nfitted = false", 3)[2]]
    draws = [[hand.analog("joy_x", 0.1) for _ in range(5)] for hand in hands]

    assert draws[0] == draws[1] == draws[2]
    assert draws[0] != [made(PAIR, 4)[2].analog("joy_x", 0.1) for _ in range(5)]


def test_periodic_load_bursts_by_itself() -> None:
    """A load with bursts draws them as long as the board has power."""
    text = PAIR + "[board.hand.load.lamp]\nsteady_ma = 5\nburst_ma = 50\nburst_ms = 2\nburst_every_ms = 10\n"
    _, agenda, hand, _ = made(text)
    hand.supply.record()
    volts = []
    for n in range(1000):
        agenda.run_to(n * 1e-4)
        volts.append(hand.supply.volts(agenda.now))

    low = [v for v in volts if v < max(volts) - 0.005]
    assert 0.15 < len(low) / len(volts) < 0.25


def test_stored_settings_are_checked_by_name_and_range() -> None:
    """Settings are those of the message catalogue."""
    good = parse(mudlark(PAIR + "[board.hand.settings]\nradio_channel = 40\n").encode())

    assert stored_settings(good, Role.HAND) == {"role": 0, "label": "mudlark-hand-01", "radio_channel": 40}
    for line, sentence in (
        ("radio_chanel = 40", "unknown setting; did you mean radio_channel"),
        ("radio_channel = 126", "expected a whole number from 0 to 125, got 126"),
        ("radio_channel = 'x'", "expected a whole number"),
    ):
        with pytest.raises(UsageError, match=sentence):
            made(PAIR + f"[board.hand.settings]\n{line}\n")
