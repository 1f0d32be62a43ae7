"""Air times, exchange times and floors against the data sheet and arithmetic from its figures."""

import pytest

from benchctl.analysis import timing
from benchctl.analysis.timing import RadioFormat
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


@pytest.mark.parametrize(("rate", "us"), [(R250, 1119), (R1, 489), (R2, 382)])
def test_acknowledged_floor(rate, us):
    assert timing.acknowledged_us(RadioFormat(rate, 8)) == pytest.approx(us, abs=0.6)


@pytest.mark.parametrize("wrong", [{"rate": 500_000}, {"payload": 33}, {"address": 2}, {"crc": 0}, {"ack_payload": -1}])
def test_impossible_formats_are_refused(wrong):
    with pytest.raises(UsageError):
        RadioFormat(**wrong)


@pytest.mark.parametrize(("rate", "ideal", "avr"), [(R250, 704, 726), (R1, 293, 315), (R2, 222, 244)])
def test_button_to_led_floor(rate, ideal, avr):
    radio = RadioFormat(rate, 8)

    assert timing.one_way_floor_us(radio) == pytest.approx(ideal, abs=0.6)
    assert timing.one_way_floor_us(radio, timing.AVR_16MHZ) == pytest.approx(avr, abs=0.6)
