"""What a processor finds on the SPI of a fresh chip, against nRF24L01+ Product Specification v1.0."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from radio_driver import Driver, linked, world

from benchctl.errors import UsageError

#: Table 28
RESET = {
    0x00: "08", 0x01: "3f", 0x02: "03", 0x03: "03", 0x04: "03", 0x05: "02", 0x06: "0e", 0x07: "0e", 0x08: "00",
    0x09: "00", 0x0A: "e7e7e7e7e7", 0x0B: "c2c2c2c2c2", 0x0C: "c3", 0x0D: "c4", 0x0E: "c5", 0x0F: "c6",
    0x10: "e7e7e7e7e7", 0x11: "00", 0x12: "00", 0x13: "00", 0x14: "00", 0x15: "00", 0x16: "00", 0x17: "11",
    0x1C: "00", 0x1D: "00",
}  # fmt: skip
#: bits that Table 28 marks "R/W" without a reservation
WRITABLE = {0x00: 0x7F, 0x01: 0x3F, 0x02: 0x3F, 0x03: 0x03, 0x04: 0xFF, 0x05: 0x7F, 0x06: 0xBE, 0x1C: 0x3F, 0x1D: 0x07}
WRITABLE |= dict.fromkeys(range(17, 23), 63)


@pytest.mark.parametrize("register", RESET)
def test_reset_values(register: int) -> None:
    (chip,) = world(count=1)
    expected = bytes.fromhex(RESET[register])
    assert chip.read(register, len(expected)) == expected


@pytest.mark.parametrize("register", WRITABLE)
def test_every_bit_can_be_written_unless_reserved(register: int) -> None:
    (chip,) = world(count=1)
    chip.write(0x01, 0)  # else EN_CRC is forced high
    for bit in range(8):
        chip.write(register, 1 << bit)
        assert chip.read(register)[0] == 1 << bit & WRITABLE[register]


def test_addresses_go_lowest_byte_first_and_may_be_written_in_part() -> None:
    (chip,) = world(count=1)
    chip.write(0x0A, 1, 2, 3, 4, 5)
    chip.write(0x0A, 9)
    assert chip.read(0x0A, 5) == bytes([9, 2, 3, 4, 5])
    assert chip.read(0x0A, 2) == bytes([9, 2])


def test_crc_is_forced_on_by_automatic_acknowledgement() -> None:
    (chip,) = world(count=1)  # Table 28, CONFIG bit 3
    chip.write(0x00, 0x00)
    assert chip.read(0x00)[0] == 0x08
    chip.write(0x01, 0x00)
    assert chip.read(0x00)[0] == 0x00


def test_three_payloads_fill_the_store_and_the_fourth_is_dropped() -> None:
    (chip,) = world(count=1)  # section 8.4
    for number in range(4):
        assert chip.status() & 1 == (number == 3)
        chip.spi(0xA0, number)
    assert chip.read(0x17)[0] == 0x21
    chip.spi(0xE1)
    assert chip.read(0x17)[0] == 0x11
    assert chip.status() == 0x0E


def test_power_on_reset_takes_its_time_and_loses_the_settings() -> None:
    (chip,) = world(count=1, por_ms=100.0)  # Table 14: 1 to 100 ms after 1.9 V
    chip.write(0x05, 100)
    chip.chip.power(1.8, 0.0)
    assert chip.status() == 0
    chip.chip.power(3.3, 0.0)
    chip.wait(0.0999)
    assert chip.read(0x05)[0] == 0
    chip.wait(0.0002)
    assert chip.read(0x05)[0] == 0x02


def test_supply_currents_follow_the_states() -> None:
    (chip,) = world(count=1)  # Table 7
    heard: list[float] = []
    chip.chip.current.connect(lambda level, time: heard.append(round(level * 1e6, 2)))
    assert chip.chip.current_ma(0.0) == pytest.approx(0.0009)
    chip.write(0x01, 0x00)
    chip.write(0x00, 0x0A)
    chip.wait(2e-3)
    chip.send(b"12345678")
    assert heard == [400.0, 26.0, 8000.0, 11300.0, 26.0]
    heard.clear()
    chip.write(0x00, 0x0B)
    chip.ce(1)
    chip.wait(1e-3)
    chip.write(0x00, 0x00)
    assert heard == [8900.0, 13500.0, 0.9]


@pytest.mark.parametrize(("variant", "amperes"), [("plus", 11.3e-3), ("high-power", 115e-3)])
def test_transmit_current_by_variant(variant: str, amperes: float) -> None:
    (chip,) = world(count=1, variant=variant)  # plus: Table 7; high-power: from memory
    highest = 0.0

    def note(level: float, time: float) -> None:
        nonlocal highest
        highest = max(highest, level)

    chip.chip.current.connect(note)
    chip.set_up(False, auto_ack=0)
    chip.send(b"12345678")
    assert highest == pytest.approx(amperes)


def test_variants_differ_on_the_registers() -> None:
    seen = {}
    for variant in ("plus", "nrf24l01", "clone", "high-power"):  # from memory, except "plus"
        (chip,) = world(count=1, variant=variant)
        chip.write(0x06, 0x26)
        low_rate = bool(chip.read(0x06)[0] & 0x20)
        chip.write(0x1D, 0x07)
        before = chip.read(0x1D)[0]
        chip.spi(0x50, 0x73)
        chip.write(0x1D, 0x07)
        seen[variant] = (low_rate, before, chip.read(0x1D)[0])
    assert seen == {
        "plus": (True, 7, 7), "high-power": (True, 7, 7), "nrf24l01": (False, 0, 7), "clone": (False, 0, 7),
    }  # fmt: skip


def test_an_unknown_variant_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match="variant 'plusplus': expected one of plus"):
        world(variant="plusplus")


transactions = st.lists(st.tuples(st.binary(min_size=1, max_size=34), st.integers(0, 3)), max_size=25)


@given(transactions)
@settings(max_examples=150, deadline=None)
def test_any_traffic_leaves_a_chip_that_reads_by_the_rules(traffic: list[tuple[bytes, int]]) -> None:
    """Any bytes, CE levels and waits: no exception, STATUS bit 7 is 0, reserved bits read 0, full answers."""
    sender, listener = linked()
    for sent, action in traffic:
        got = sender.spi(*sent)
        assert len(got) == len(sent)
        assert not got[0] & 0x80
        assert got[0] >> 1 & 7 != 6
        sender.ce(action & 1)
        sender.wait(300e-6 * action)
    for register, mask in (*WRITABLE.items(), (0x07, 0x7F), (0x17, 0x73), (0x09, 0x01)):
        assert not sender.read(register)[0] & ~mask
    assert all(sender.read(register)[0] == 0 for register in (0x18, 0x19, 0x1A, 0x1B, 0x1E, 0x1F))
    assert _alive(listener)


def _alive(listener: Driver) -> bool:
    return listener.read(0x05)[0] == 76


def test_the_start_of_the_supply_draws_a_spike() -> None:
    (chip,) = world(count=1, startup_spike_ma=300.0, startup_spike_ms=2.0, por_ms=5.0)
    heard: list[tuple[float, float]] = []
    chip.chip.power(0.0, 0.0)
    chip.chip.current.connect(lambda level, time: heard.append((round(time, 6), round(level, 6))))
    chip.chip.power(3.3, 0.0)
    chip.wait(0.01)
    assert heard == [(0.0, 0.3), (0.002, 0.0), (0.005, 1e-6)]


def test_what_the_data_sheet_forbids_is_counted() -> None:
    sender, listener = linked(auto_ack=0)
    listener.write(0x11, 8)
    listener.write(0x18, 1)
    sender.spi(0xA0, *bytes(8))
    sender.ce(1)
    sender.wait(10e-6)
    sender.spi(0xE3)
    sender.wait(10e-3)
    assert listener.chip.violations["register written outside power-down and standby"] == 2
    assert listener.chip.violations["test register written"] == 1
    assert sender.chip.violations["longer than 4 ms in TX mode"] > 0  # section 6.1.5
