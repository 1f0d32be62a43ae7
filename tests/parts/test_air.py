"""Who hears what: error law, sensitivity, collisions, interference, fading."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from radio_driver import linked, world
from scipy.stats import binomtest

from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air, AirConfig, bit_error_rate, needed_ratio_db
from benchctl.parts.air_noise import Fading, Interferer, OnOff
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig


def _share_received(packets: int, loss_db: float, rate: int, size: int = 32, air: AirConfig | None = None) -> int:
    sender, _ = linked(loss_db, rate=rate, width=size, count=0, air=air, seed=3)
    time, received = 0.01, 0
    for number in range(packets):
        outcome = sender.chip.transact(number.to_bytes(size, "big"), time)
        received += bool(outcome.received)
        time = outcome.done_time + 1e-3
    return received


@pytest.mark.parametrize(("rate", "sensitivity"), [(0, -94.0), (1, -85.0), (2, -82.0)])
def test_sensitivity_is_one_bit_error_in_a_thousand(rate: int, sensitivity: float) -> None:
    """Sensitivities of nRF24L01+ Product Specification v1.0, Table 9; 329 independent bits: 28.05 % of packets lost."""
    received = _share_received(3000, -sensitivity, rate)
    assert binomtest(received, 3000, (1 - 1e-3) ** 329).pvalue > 1e-4


def test_the_error_law() -> None:
    """Non-coherent frequency-shift keying, 0.5·exp(−snr/2): textbook law."""
    assert bit_error_rate(2 * math.log(500)) == pytest.approx(1e-3)
    assert bit_error_rate(0.0) == 0.5


def test_six_db_above_sensitivity_nothing_is_lost_and_six_below_everything() -> None:
    assert _share_received(500, 79.0, 1) == 500
    assert _share_received(500, 91.0, 1) == 0


@pytest.mark.parametrize("key", ["tx_offset_db", "antenna_loss_db"])
def test_a_weak_board_is_as_good_as_more_path(key: str) -> None:
    agenda, chance = Agenda(), random.Random(1)
    air = Air(chance, AirConfig(path_loss_db=60.0))
    loss = {"tx_offset_db": -4.0, "antenna_loss_db": 4.0}[key]
    weak = Transceiver(agenda, air, chance, TransceiverConfig(**{key: loss}), "weak")
    good = Transceiver(agenda, air, chance, TransceiverConfig(), "good")
    frame = weak.compose(weak.upload(b"1"), 0.0)
    assert air.level_dbm(frame, good, 0.0) == pytest.approx(-64.0)


def test_receivers_overload_near_a_strong_sender() -> None:
    """Maximum input 0 dBm, nRF24L01+ Product Specification v1.0, Table 9."""

    def delivered(loss_db: float) -> bool:
        sender, listener = world(loss_db, variant="high-power", lna_gain_db=0.0)
        sender.set_up(False, count=0)
        listener.set_up(True, count=0)
        return bool(sender.chip.transact(b"12345678", 0.01).received)

    assert delivered(25.0)
    assert not delivered(5.0)


@pytest.mark.parametrize(("ppm", "heard"), [(60.0, True), (110.0, False)])
def test_crystals_must_not_be_too_far_apart(ppm: float, heard: bool) -> None:
    """±60 ppm each is allowed, nRF24L01+ Product Specification v1.0, Table 12."""
    agenda, chance = Agenda(), random.Random(1)
    air = Air(chance, AirConfig(path_loss_db=75.0))
    one = Transceiver(agenda, air, chance, TransceiverConfig(crystal_ppm=ppm), "one")
    other = Transceiver(agenda, air, chance, TransceiverConfig(crystal_ppm=-ppm), "other")
    assert bool(air.hear(one.compose(one.upload(bytes(32)), 0.0), other)) is heard


def _pair_with_rival(offset_channel: int, rival_loss: float) -> bool:
    """Whether a packet at −60 dBm survives a rival's overlapping one."""
    sender, listener, rival = world(60.0, count=3)
    for driver in (sender, listener, rival):
        driver.set_up(driver is listener, count=0, auto_ack=0, channel=40)
    rival.write(0x05, 40 + offset_channel)
    rival.write(0x10, *b"other")
    air = sender.chip.air
    air.set_path_loss(rival.chip, listener.chip, rival_loss)
    rival.chip.transact(bytes(32), 0.01)
    return bool(sender.chip.transact(b"12345678", 0.01001).received)


@pytest.mark.parametrize(
    ("offset", "rival_loss", "survives"),
    [(0, 60.0, False), (0, 90.0, True), (2, 60.0, True), (2, 30.0, False), (3, 60.0, True)],
)
def test_collisions(offset: int, rival_loss: float, survives: bool) -> None:
    assert _pair_with_rival(offset, rival_loss) is survives


def test_two_chips_that_start_together_destroy_both_packets() -> None:
    one, other, listener = world(60.0, count=3)
    for driver in (one, other, listener):
        driver.set_up(driver is listener, count=0, auto_ack=0)
    for driver in (one, other):
        driver.spi(0xA0, *b"12345678")
        driver.ce(1)
    one.wait(1e-3)
    assert listener.receive() == []


def test_selectivity_grows_with_distance() -> None:
    for rate in (0, 1, 2):
        ratios = [needed_ratio_db(rate, offset) for offset in range(80)]
        assert ratios == sorted(ratios, reverse=True)


def test_interference_takes_its_duty() -> None:
    """A strong interferer with long bursts loses the packets that it overlaps: about its duty."""
    interferer = Interferer(2476.0, 20.0, duty=0.3, power_dbm=-30.0, burst_ms=20.0)
    received = _share_received(4000, 60.0, 1, size=8, air=AirConfig(path_loss_db=60.0, interferers=(interferer,)))
    assert received / 4000 == pytest.approx(0.7, abs=0.06)
    away = Interferer(2420.0, 20.0, duty=1.0, power_dbm=-50.0)
    assert _share_received(300, 60.0, 1, size=8, air=AirConfig(path_loss_db=60.0, interferers=(away,))) == 300


@pytest.mark.parametrize(("power", "channel", "seen"), [(-45.0, 37, 1), (-55.0, 37, 0), (-45.0, 70, 0)])
def test_interferers_show_as_received_power(power: float, channel: int, seen: int) -> None:
    """20 MHz wide, so 13 dB less in 1 MHz; threshold −64 dBm, nRF24L01+ Product Specification v1.0, section 6.4."""
    air = AirConfig(interferers=(Interferer(2437.0, 20.0, duty=1.0, power_dbm=power),))
    (listener,) = world(count=1, air=air)
    listener.set_up(True, channel=channel)
    listener.wait(50e-6)
    listener.ce(0)
    assert listener.read(0x09)[0] == seen
    level = listener.chip.air.energy_dbm(37, listener.chip, 0.0, 0.1)
    assert level == pytest.approx(power - 13.01, abs=0.01)


@given(st.integers(0, 2**32), st.lists(st.floats(0, 3), min_size=1, max_size=20))
def test_a_random_process_does_not_depend_on_when_it_is_asked(seed: int, times: list[float]) -> None:
    process = OnOff(seed, 0.05, 0.08)
    fading = Fading(seed, 4.0, 0.1, 20.0, 3.0, 0.02)
    alike = OnOff(seed, 0.05, 0.08), Fading(seed, 4.0, 0.1, 20.0, 3.0, 0.02)
    ordered = {time: (process.on_at(time), fading.gain_db(time)) for time in sorted(times)}
    assert {time: (alike[0].on_at(time), alike[1].gain_db(time)) for time in times} == ordered


def test_on_off_has_the_stated_means() -> None:
    process = OnOff(7, 0.02, 0.06)
    edges = process.edges(0.0, 60.0)
    assert len(edges) / 2 == pytest.approx(60 / 0.08, rel=0.15)
    on = sum(process.on_at(60.0 + 0.001 * step) for step in range(40000)) / 40000
    assert on == pytest.approx(0.25, abs=0.04)


def test_slow_fading_has_the_stated_spread_and_memory() -> None:
    fading = Fading(3, 5.0, 0.2, 0.0, 0.0, 0.0)
    levels = [fading.gain_db(0.5 * step) for step in range(6000)]
    spread = math.sqrt(sum(level**2 for level in levels) / len(levels))
    assert spread == pytest.approx(5.0, rel=0.06)
    near = Fading(3, 5.0, 2.0, 0.0, 0.0, 0.0)
    steps = [near.gain_db(0.1 * step + 0.1) - near.gain_db(0.1 * step) for step in range(3000)]
    # a step of a twentieth of the correlation time: variance 2·(1 − exp(−1/20))·sigma²
    assert sum(step**2 for step in steps) / 3000 == pytest.approx(2 * (1 - math.exp(-0.05)) * 25, rel=0.2)


def test_without_a_check_damaged_payloads_come_through() -> None:
    """CRC off: bit errors in the payload are not noticed, so more payloads arrive and some are wrong."""
    sender, _ = linked(86.0, crc=0, auto_ack=0, count=0, width=32, seed=2)
    time, wrong, right = 0.01, 0, 0
    for number in range(600):
        payload = number.to_bytes(32, "big")
        outcome = sender.chip.transact(payload, time)
        for got in outcome.received:
            wrong, right = wrong + (got.payload != payload), right + (got.payload == payload)
        time = outcome.done_time + 1e-3
    assert wrong > 50
    assert right > 50


def test_an_amplifier_in_the_receiver_shifts_sensitivity_and_threshold() -> None:
    """10 dB of gain before the chip: packets at −92 dBm are heard at 1 Mbit/s, a carrier at −70 dBm is seen."""
    sender, listener = world(112.0, variant="high-power")  # 20 dBm out: −92 dBm in
    sender.set_up(False)
    listener.set_up(True)
    assert sender.chip.transact(b"12345678", 0.01).received
    sender.chip.air.set_path_loss(sender.chip, listener.chip, 90.0)
    sender.wait(1e-2)
    sender.write(0x06, 0x96)
    sender.ce(1)
    sender.wait(1e-3)
    assert listener.read(0x09)[0] == 1


def test_a_process_forgets_its_past_without_changing_its_future() -> None:
    dense, sparse = OnOff(5, 1e-3, 2e-3), OnOff(5, 1e-3, 2e-3)
    states = {step: dense.on_at(0.01 * step) for step in range(4000)}
    assert all(sparse.on_at(0.01 * step) is states[step] for step in (0, 1500, 2800, 3990, 3999))
