"""Air times, exchange times and floors against the data sheet and arithmetic from its figures."""

import pytest

from benchctl.analysis import timing
from benchctl.analysis.timing import AVR_16MHZ, RadioFormat
from benchctl.errors import UsageError

R250, R1, R2 = timing.RATES


# nRF24L01+ Product Specification v1.0, section 7.3, figure 5 and table 19: bits = 8 (1 + address + payload + CRC) + 9
@pytest.mark.parametrize(
    ("payload", "bits", "times"),
    [
        (0, 73, (292, 73, 36.5)),
        (1, 81, (324, 81, 40.5)),
        (8, 137, (548, 137, 68.5)),
        (16, 201, (804, 201, 100.5)),
        (32, 329, (1316, 329, 164.5)),
    ],
)
def test_air_time(payload, bits, times):
    assert timing.air_bits(payload) == bits
    assert times == tuple(RadioFormat(rate, payload).air_us for rate in timing.RATES)


@pytest.mark.parametrize(("address", "crc", "bits"), [(3, 1, 305), (3, 2, 313), (5, 1, 321)])
def test_other_widths(address, crc, bits):
    """Same formula, 32 bytes."""
    assert timing.air_bits(32, address, crc) == bits


@pytest.mark.parametrize(("rate", "us"), [(R250, 1868), (R1, 662), (R2, 461)])
def test_exchange(rate, us):
    """Same specification, section 7.7: 2 x 130 µs + packet + acknowledgement, 32 bytes."""
    assert RadioFormat(rate, 32).exchange_us == us


# same specification, section 7.4.2, table 18 and table 28 notes
@pytest.mark.parametrize(
    ("rate", "ack", "delay"),
    [
        *[(R2, 15, 250), (R2, 16, 500), (R1, 5, 250), (R1, 6, 500)],
        *[(R250, 0, 500), (R250, 1, 750), (R250, 7, 750), (R250, 8, 1000), (R250, 15, 1000)],
        *[(R250, 16, 1250), (R250, 23, 1250), (R250, 24, 1500), (R250, 32, 1500)],
    ],
)
def test_least_retransmit_delay(rate, ack, delay):
    assert timing.least_retransmit_delay_us(RadioFormat(rate, ack_payload=ack)) == delay


@pytest.mark.parametrize("rate", timing.RATES)
def test_the_rule_is_never_laxer_than_air_time(rate):
    """An acknowledgement must have come back before the delay ends: settling plus its air time fit."""
    for size in range(33):
        radio = RadioFormat(rate, ack_payload=size)
        assert timing.SETTLE_US + radio.ack_us <= timing.least_retransmit_delay_us(radio)


@pytest.mark.parametrize(("rate", "delay", "ms"), [(R2, 250, 6.51), (R1, 500, 12.89), (R250, 1500, 43.69)])
def test_time_until_giving_up(rate, delay, ms):
    """15 repeats of 32 bytes, arithmetic from the same tables."""
    assert timing.give_up_us(RadioFormat(rate, 32), 15, delay) / 1000 == pytest.approx(ms, abs=0.005)


# arithmetic from the same specification: 9 + 9 SPI bytes at 8 MHz, 130 µs, air time, interrupt (figure 15)
@pytest.mark.parametrize(("rate", "ideal", "avr"), [(R250, 704, 726), (R1, 293, 315), (R2, 222, 244)])
def test_button_to_led_floor(rate, ideal, avr):
    radio = RadioFormat(rate, 8)

    assert timing.one_way_floor_us(radio) == pytest.approx(ideal, abs=0.6)
    assert timing.one_way_floor_us(radio, AVR_16MHZ) == pytest.approx(avr, abs=0.6)
    assert timing.echo_floor_us(radio) == 2 * timing.one_way_floor_us(radio)


@pytest.mark.parametrize(("rate", "us"), [(R250, 1119), (R1, 489), (R2, 382)])
def test_acknowledged_floor(rate, us):
    assert timing.acknowledged_us(RadioFormat(rate, 8)) == pytest.approx(us, abs=0.6)


@pytest.mark.parametrize(
    ("rate", "streamed", "settling", "single", "full", "acknowledged"),
    [
        (R250, 1825, 1475, 1434, 909, 893),
        (R1, 7299, 3745, 3494, 2128, 2044),
        (R2, 14599, 5038, 4640, 2740, 2618),
    ],
)
def test_packet_rates(rate, streamed, settling, single, full, acknowledged):
    """8 bytes; arithmetic from the same figures."""
    radio = RadioFormat(rate, 8)

    assert timing.streamed_packets_per_second(radio) == pytest.approx(streamed, abs=0.6)
    assert timing.packets_per_second(radio, acknowledged=False, queued=True) == pytest.approx(settling, abs=0.6)
    assert timing.packets_per_second(radio, acknowledged=False) == pytest.approx(single, abs=0.6)
    assert timing.packets_per_second(radio, queued=True) == pytest.approx(full, abs=0.6)
    assert timing.packets_per_second(radio) == pytest.approx(acknowledged, abs=0.6)


@pytest.mark.parametrize(("ber", "per"), [(1e-3, 0.2805), (1e-4, 0.0324)])
def test_packet_error_rate(ber, per):
    """The data sheet's sensitivity is stated at a bit error rate of 0.1 %: 28 % of full packets;
    arithmetic."""
    assert timing.packet_error_rate(ber, 329) == pytest.approx(per, abs=5e-5)


@pytest.mark.parametrize("wrong", [{"rate": 500_000}, {"payload": 33}, {"address": 2}, {"crc": 0}, {"ack_payload": -1}])
def test_impossible_formats_are_refused(wrong):
    with pytest.raises(UsageError):
        RadioFormat(**wrong)
