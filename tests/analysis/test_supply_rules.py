"""Speed, brown-out, UART and supply rules against the data sheets."""

import math

import pytest

from benchctl.analysis import supply_rules as rules
from benchctl.errors import UsageError


# Atmel ATmega328/P 42735B, section 32.3, figure 32-1: straight lines between 4 MHz/1.8 V, 10/2.7, 20/4.5
@pytest.mark.parametrize(("mhz", "volts"), [(8, 2.40), (12, 3.06), (16, 3.78), (20, 4.50), (4, 1.8), (1, 1.8)])
def test_speed_line(mhz, volts):
    assert rules.least_vcc(mhz) == pytest.approx(volts)


# ATmega328P automotive 7810D, figure 28-1
@pytest.mark.parametrize(("mhz", "volts"), [(8, 2.7), (12, 3.6), (16, 4.5), (20, math.inf)])
def test_automotive_speed_line(mhz, volts):
    assert rules.least_vcc(mhz, automotive=True) == pytest.approx(volts)


@pytest.mark.parametrize(("fuse", "guarded"), [("100", True), ("101", False), ("110", False), ("111", False)])
def test_only_the_highest_level_guards_sixteen_megahertz(fuse, guarded):
    """42735B table 32-8: the 2.7 V level trips at 2.5 to 2.9 V, far below the 3.78 V that 16 MHz needs."""
    assert rules.margins(5, 16, fuse).guarded is guarded


@pytest.mark.parametrize(
    ("fuse", "volts"), [("110", (1.7, 1.8, 2.0)), ("101", (2.5, 2.7, 2.9)), ("100", (4.0, 4.3, 4.6))]
)
def test_brown_out_levels(fuse, volts):
    """42735B table 32-8 and 7810D table 28-5, the wider pair."""
    level = rules.brown_out(fuse)

    assert (level.least, level.typical, level.most) == volts


def test_brown_out_margin():
    assert rules.margins(4.8, 16, "100").brown_out == pytest.approx(0.2)
    assert math.isnan(rules.margins(4.8, 16, "111").brown_out)
    with pytest.raises(UsageError, match="fuse"):
        rules.brown_out("010")


# 42735B section 28: VCC = 1.1 * 1024 / reading
@pytest.mark.parametrize(("reading", "volts"), [(225, 5.01), (341, 3.30)])
def test_vcc_from_bandgap(reading, volts):
    assert rules.vcc_from_bandgap(reading) == pytest.approx(volts, abs=0.005)


@pytest.mark.parametrize(("bandgap", "shown"), [(1.0, 5.50), (1.2, 4.58)])
def test_uncalibrated_bandgap_error(bandgap, shown):
    """42735B table 32-7: 1.0 to 1.2 V; a true 5.0 V shows as +10 % or -8.3 %."""
    reading = bandgap * 1024 / 5.0

    assert rules.vcc_from_bandgap(reading) == pytest.approx(shown, abs=0.005)
    assert rules.vcc_from_bandgap(reading, rules.bandgap_from_meter(reading, 5.0)) == pytest.approx(5.0)
    assert rules.vcc_from_bandgap(0) == math.inf


# 42735B table 24-7, 7810D table 19-12: 16 MHz, error in percent with one decimal
@pytest.mark.parametrize(
    ("rate", "single", "double"),
    [
        (9600, (103, 0.2), (207, 0.2)),
        (57_600, (16, 2.1), (34, -0.8)),
        (115_200, (8, -3.5), (16, 2.1)),
        (230_400, (3, 8.5), (8, -3.5)),
        (250_000, (3, 0.0), (7, 0.0)),
        (500_000, (1, 0.0), (3, 0.0)),
        (1_000_000, (0, 0.0), (1, 0.0)),
    ],
)
def test_baud_table(rate, single, double):
    for (ubrr, percent), doubled in ((single, False), (double, True)):
        found = rules.baud(rate, doubled=doubled)
        assert found.ubrr == ubrr
        assert 100 * found.error == pytest.approx(percent, abs=0.06)


def test_baud_unrounded():
    assert rules.baud(115_200).actual == pytest.approx(111_111, abs=1)
    assert rules.baud(115_200, doubled=True).actual == pytest.approx(117_647, abs=1)


def test_baud_tolerance():
    """42735B tables 24-2 and 24-3: 115 200 at 16 MHz is outside the recommended error, inside the total."""
    for doubled in (False, True):
        found = rules.baud(115_200, doubled=doubled)
        assert not found.recommended
        assert found.usable
    assert rules.baud(500_000, 8e6).recommended
    assert not rules.baud(230_400).usable


def test_order_of_giving_up():
    """From the same data sheets; highest first, so a falling rail meets them in this order."""
    volts = [one.volts for one in rules.GIVING_UP]

    assert volts == sorted(volts, reverse=True)
    assert [one.volts for one in rules.given_up(2.6, "transceiver")] == [2.7]
    assert [one.volts for one in rules.given_up(1.8, "transceiver")] == [2.7, 1.9]
    assert rules.given_up(5.0, "processor") == ()


def test_three_volts_and_sixteen_megahertz_are_outside_both():
    found = rules.margins(3.3, 16, "101")

    assert found.speed == pytest.approx(-0.48)
    assert found.careful == pytest.approx(-1.2)
