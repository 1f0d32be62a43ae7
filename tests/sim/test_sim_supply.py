"""Converter, droop and loads against circuits that can be solved by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchctl.errors import NoAnswer, Refused
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import AdcSource, Load

#: source of 5 V behind 1 Ω without inductance to speak of, 100 µF without series resistance: τ = 100 µs
SIMPLE = """
[board.hand]
adc_noise_mv = 0.0
[board.hand.led]
extra_ma = 400.0
[board.hand.rail.main]
series_ohms = 0.98
joint_ohms = 0.02
inductance_uh = 0.01
bulk_uf = 99.9
bulk_esr_ohms = 0.0
noise_mv = 0.0
"""


def volts_of(events, repeats: int, bandgap: float = 1.1) -> dict[int, float]:
    out = {}
    for event in events:
        for offset, (total,) in enumerate(event.rows):
            out[event.first + offset] = bandgap * 1024 * repeats / (total + repeats / 2)
    return out


def test_band_gap_reading_is_the_supply_to_one_count(open_sim) -> None:
    bench = open_sim(SIMPLE)
    truth = bench.world.boards[Role.HAND].supply.volts(bench.now())
    a = bench.boards[Role.HAND].ask(msg.Adc(source=AdcSource.BAND_GAP, prescaler=7, count=100, gap_us=0), timeout=1.0)

    assert a.count == 100
    assert a.low == a.high == int(1.1 / truth * 1024)
    assert (a.sum, a.square) == (100 * a.low, 0)


def test_spread_of_readings_is_the_noise_that_is_there(open_sim) -> None:
    rails = "[board.hand.rail.radio]\nnoise_mv = 30.0\n[board.hand.rail.main]\nnoise_mv = 0.0"
    text = "[board.hand]\nadc_noise_mv = 10.0\n" + rails
    a = (
        open_sim(text)
        .boards[Role.HAND]
        .ask(msg.Adc(source=AdcSource.SENSE_RAIL, prescaler=6, count=1024, gap_us=50), timeout=2.0)
    )
    mean = a.sum / a.count
    spread = math.sqrt(a.square / a.count)  # about the first reading: at least the standard deviation
    count_mv = 5000 / 1024

    assert mean * count_mv == pytest.approx(3300, rel=0.01)
    assert spread >= 0.9 * math.hypot(30, 10) / count_mv
    assert a.low < mean < a.high


def test_conversions_take_their_time(open_sim) -> None:
    """13 ADC clocks each (ATmega328P data sheet, section 24.4), or the gap from start to start."""
    bench = open_sim(SIMPLE + "[board.hand.serial]\nlatency_ms = 0.0\n")
    board = bench.boards[Role.HAND]

    def takes(prescaler: int, count: int, gap: int) -> float:
        start = bench.now()
        board.ask(msg.Adc(source=AdcSource.SENSE_RAIL, prescaler=prescaler, count=count, gap_us=gap), timeout=5.0)
        return bench.now() - start

    each = (takes(7, 501, 0) - takes(7, 1, 0)) / 500
    assert 13 * 8e-6 < each < 13 * 8e-6 + 30e-6  # and a turn of the main loop
    assert takes(4, 501, 100) - takes(4, 1, 100) == pytest.approx(500 * 100e-6, rel=1e-3)


@pytest.mark.parametrize("repeats", [1, 16])
def test_droop_by_the_band_gap_is_the_exponential_averaged_over_the_aperture(open_sim, repeats: int) -> None:
    bench = open_sim(SIMPLE)
    board, supply = bench.boards[Role.HAND], bench.world.boards[Role.HAND].supply
    at_rest = supply.volts(bench.now())
    amps = 0.4 + 9e-3  # the lamp, and about 8.5 mA of the LED itself through 330 Ω
    board.ask(msg.Droop(load=Load.LED, source=AdcSource.BAND_GAP, first_us=0, step_us=10, points=60, settle_ms=5, prescaler=4, repeats=repeats))  # fmt: skip
    board.wait_done(msg.Droop, 30.0)
    seen = volts_of(board.events(msg.DroopRows), repeats)

    # closed form: v(t) = v0 - I·R·(1 - e^(-t/τ)), τ = R·C = 1 Ω · 100 µF, mean over 13 µs from t on, which is 5 to
    # 8 µs after the tick
    tau, aperture = 100e-6, 13e-6
    t = np.arange(60) * 10e-6 + 6.25e-6
    gone = 1 - tau / aperture * (np.exp(-t / tau) - np.exp(-(t + aperture) / tau))
    expected = at_rest - amps * gone
    measured = np.array([seen[n] for n in range(60)])

    assert sorted(seen) == list(range(60))
    count = at_rest**2 / (1.1 * 1024)  # volts per count at this supply
    jitter = 1.35e-6 * amps / tau  # volts, where the rail falls fastest
    assert np.abs(measured - expected).max() < 0.75 * count + 0.003 + jitter


def test_droop_of_the_sensed_rail_is_held_at_one_instant(open_sim) -> None:
    """8.0 mA settling and 11.3 mA sending at 0 dBm (Product Specification, supply currents) from behind 33 Ω and 10 µF."""
    text = (
        SIMPLE
        + """
[board.hand.rail.radio]
fed_from = "main"
regulator_volts = 0.0
series_ohms = 33.0
joint_ohms = 0.0001
inductance_uh = 0.01
bulk_uf = 9.9
bulk_esr_ohms = 0.0
noise_mv = 0.0
regulator_limit_ma = 0.0
"""
    )
    bench = open_sim(text)
    board = bench.boards[Role.HAND]
    board.ask(msg.Droop(load=Load.TRANSMIT, source=AdcSource.SENSE_RAIL, first_us=0, step_us=40, points=10, settle_ms=20, prescaler=4, repeats=8))  # fmt: skip
    board.wait_done(msg.Droop, 30.0)
    events = board.events(msg.DroopRows)
    rows = {e.first + n: r[0] / 8 for e in events for n, r in enumerate(e.rows)}
    start = board_rest = events[0].baseline / 8
    # τ = 33 Ω · 10 µF = 330 µs; 32 bytes at 1 Mbit/s are on the air for 329 µs after 130 µs of settling
    t = np.arange(10) * 40e-6 + 6.25e-6 + 1.5e-6
    settling, more = (1 - np.exp(-np.maximum(0, t - at) / 330e-6) for at in (0.0, 130e-6))
    counts = (8.0e-3 * settling + 3.3e-3 * more) * 33 / 5.0 * 1024
    measured = np.array([board_rest - rows[n] for n in range(10)])

    assert start > 900
    assert np.abs(measured - counts).max() < 2.5


def test_brown_out_by_a_load_is_told_with_the_load_in_the_forensics(open_sim) -> None:
    text = SIMPLE.replace("extra_ma = 400.0", "extra_ma = 3500.0")
    bench = open_sim(text)
    board = bench.boards[Role.HAND]
    board.expects_restart = True
    bench.wait(0.2)
    with pytest.raises(NoAnswer):
        board.ask(msg.Load(load=Load.LED, on=1, strength=100), timeout=0.05, repeats=0)
    boot = board.wait_event(msg.Boot, 2.0)

    assert boot.cause == 3
    assert boot.loads == 1 << Load.LED
    assert boot.ram_survived == 1


def test_steady_transmissions_go_on_until_switched_off(open_sim) -> None:
    bench = open_sim()
    board, radio = bench.boards[Role.HAND], bench.world.boards[Role.HAND].radio
    board.ask(msg.Load(load=Load.TRANSMIT, on=1, strength=2))
    bench.wait(0.5)
    during = radio.bursts
    assert during > 500
    assert radio.bank.settings.power == 2
    with pytest.raises(Refused) as refused:
        board.ask(msg.LinkStart(mode=1, test=1, count=1, interval_us=0, payload=8))
    assert refused.value.code == "busy"
    board.ask(msg.Load(load=Load.TRANSMIT, on=0, strength=0))
    bench.wait(0.1)
    after = radio.bursts
    bench.wait(0.5)
    assert radio.bursts == after
    assert board.ask(msg.RadioApply()).wrong == 0


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (msg.Adc(source=9, prescaler=7, count=1, gap_us=0), "value"),
        (msg.Adc(source=0, prescaler=3, count=1, gap_us=0), "value"),
        (msg.Adc(source=0, prescaler=7, count=0, gap_us=0), "value"),
        (msg.Adc(source=0, prescaler=7, count=1025, gap_us=0), "value"),
        (msg.Adc(source=AdcSource.SENSE_VCC1, prescaler=7, count=1, gap_us=0), "pin"),
        (msg.Load(load=9, on=1, strength=0), "value"),
        (msg.Load(load=Load.TRANSMIT, on=1, strength=4), "value"),
        (msg.Load(load=Load.SERVO, on=1, strength=50), "pin"),
    ],
)
def test_impossible_measurements_are_refused(open_sim, asked, code: str) -> None:
    with pytest.raises(Refused) as refused:
        open_sim("[board.hand]").boards[Role.HAND].ask(asked)
    assert refused.value.code == code
