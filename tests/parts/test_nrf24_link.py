"""Packets between two chips, driven by an independent driver; times by nRF24L01+ Product Specification v1.0."""

from __future__ import annotations

import binascii
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from radio_driver import ADDRESS, Driver, linked, world

from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.nrf24_frame import air_bits, air_crc, air_time

#: bits by (address, payload, CRC bytes), section 7.3 and Table 19
BITS = {(5, 0, 2): 73, (5, 1, 2): 81, (5, 8, 2): 137, (5, 16, 2): 201, (5, 32, 2): 329, (3, 32, 1): 305,
        (3, 32, 2): 313, (5, 32, 1): 321}  # fmt: skip
#: s, packet's end to interrupt, Figure 15; 250 kbit/s is not given, taken as at 1 Mbit/s
T_IRQ = {0: 8.2e-6, 1: 8.2e-6, 2: 6.0e-6}
BIT_S = {0: 4e-6, 1: 1e-6, 2: 0.5e-6}


@pytest.mark.parametrize("counts", BITS)
def test_packet_lengths(counts: tuple[int, int, int]) -> None:
    assert air_bits(*counts) == BITS[counts]
    assert air_time(*counts, rate=0) == pytest.approx(BITS[counts] * 4e-6)


def _bitwise_crc(bits: str, crc_bytes: int) -> int:
    """The register of section 7.3.5, one bit at a time."""
    width, polynomial = 8 * crc_bytes, {1: 0x07, 2: 0x1021}[crc_bytes]
    state = (1 << width) - 1
    for bit in bits:
        carry = (state >> (width - 1)) ^ int(bit)
        state = (state << 1 & (1 << width) - 1) ^ (polynomial if carry else 0)
    return state


@given(st.binary(min_size=3, max_size=5), st.integers(0, 511), st.binary(max_size=32), st.sampled_from([1, 2]))
def test_crc_covers_address_control_field_and_payload(address: bytes, field: int, payload: bytes, size: int) -> None:
    text = "".join(f"{byte:08b}" for byte in reversed(address)) + f"{field:09b}"
    text += "".join(f"{byte:08b}" for byte in payload)
    assert air_crc(address, field, payload, size) == _bitwise_crc(text, size)


def test_whole_byte_crc_check_values() -> None:
    assert air_crc(b"", None, b"123456789", 2) == 0x29B1 == binascii.crc_hqx(b"123456789", 0xFFFF)
    assert air_crc(b"", None, b"123456789", 1) == 0xFB


@pytest.mark.parametrize("rate", [0, 1, 2])
def test_interrupts_fall_when_the_data_sheet_says(rate: int) -> None:
    sender, listener = linked(rate=rate, delay=5)
    sender.spi(0xA0, *b"12345678")
    start = sender.agenda.now
    falls: dict[str, float] = {}
    sender.chip.irq.connect(lambda level, time: falls.setdefault("sender", time - start))
    listener.chip.irq.connect(lambda level, time: falls.setdefault("listener", time - start))
    sender.ce(1)
    sender.wait(10e-6)
    sender.ce(0)
    sender.wait(5e-3)
    arrived = 130e-6 + 137 * BIT_S[rate]
    assert falls["listener"] == pytest.approx(arrived + T_IRQ[rate], abs=1e-9)
    assert falls["sender"] == pytest.approx(arrived + 130e-6 + 73 * BIT_S[rate] + T_IRQ[rate], abs=1e-9)


def test_first_packet_waits_for_the_crystal() -> None:
    (chip,) = world(count=1)  # Table 16: 1.5 ms to standby, then 130 µs
    chip.write(0x01, 0)
    chip.spi(0xA0, 1)
    chip.ce(1)
    start = chip.agenda.now
    chip.write(0x00, 0x0A)
    done: list[float] = []
    chip.chip.irq.connect(lambda level, time: done.append(time - start))
    chip.wait(5e-3)
    # no automatic acknowledgement, but retransmissions set: the control field is still there, CRC 1 byte
    assert done == [pytest.approx(1.5e-3 + 130e-6 + 73 * 0.5e-6 + 6e-6, abs=1e-9)]


def test_both_ways_with_acknowledgement() -> None:
    one, other = linked()
    for turn in range(4):
        sender, listener = (one, other) if turn % 2 == 0 else (other, one)
        sender.set_up(False)
        listener.set_up(True)
        for number in range(5):
            payload = bytes([turn, number] * 4)
            assert sender.send(payload) == 0x20
            assert listener.receive() == [(0, payload)]
            assert sender.read(0x08)[0] & 0x0F == 0


def test_a_lone_sender_gives_up_and_counts() -> None:
    sender, _ = world(300.0)
    sender.set_up(False, delay=1, count=3)
    for lost in range(1, 18):
        start = sender.agenda.now
        assert sender.send(b"12345678") == 0x10
        # four packets and four delays of 500 µs, counted from the end of each packet, Table 28
        assert sender.agenda.now - start == pytest.approx(130e-6 + 4 * 137e-6 + 4 * 500e-6, abs=1e-9)
        assert sender.read(0x08)[0] == min(lost, 15) << 4 | 3  # PLOS_CNT stops at 15
    sender.write(0x05, 76)
    assert sender.read(0x08)[0] == 0x03  # cleared by writing RF_CH; ARC_CNT by the next packet


def test_max_rt_keeps_the_payload_and_blocks_until_cleared() -> None:
    sender, listener = linked(300.0, count=0)
    sender.spi(0xA0, *b"12345678")
    sender.ce(1)
    sender.wait(2e-3)
    assert sender.status() == 0x1E
    assert sender.read(0x17)[0] == 0x01
    sender.chip.air.set_path_loss(sender.chip, listener.chip, 50.0)
    sender.wait(5e-3)
    assert listener.receive() == []
    sender.write(0x07, 0x10)
    sender.wait(2e-3)
    assert listener.receive() == [(0, b"12345678")]
    assert sender.status() == 0x2E


def test_a_lost_acknowledgement_gives_a_repeat_that_is_dropped() -> None:
    sender, listener = linked(75.0)
    listener.write(0x06, 0x00)  # −18 dBm: its answers arrive at −93 dBm and are lost at 1 Mbit/s
    listener.wait(1e-3)
    assert sender.send(b"same one") == 0x10
    assert listener.receive() == [(0, b"same one")]
    assert listener.chip.bursts == 16  # every repeat was acknowledged again, section 7.5.2


def test_a_new_packet_with_the_same_content_is_no_repeat() -> None:
    sender, listener = linked()
    for _ in range(6):
        assert sender.send(b"same one") == 0x20
        assert listener.receive() == [(0, b"same one")]


def test_acknowledgement_payloads() -> None:
    sender, listener = linked(dynamic=True)
    listener.spi(0xA8, *b"answer")
    assert listener.read(0x17)[0] & 0x10 == 0
    assert sender.send(b"ask") == 0x60
    assert sender.receive() == [(0, b"answer")]
    assert listener.receive() == [(0, b"ask")]
    assert listener.status() & 0x20 == 0
    assert sender.send(b"again") == 0x20  # nothing was waiting
    assert listener.receive() == [(0, b"again")]
    assert listener.status() & 0x20  # now the listener knows that its payload arrived, section 7.4.1
    assert listener.read(0x17)[0] & 0x10


def test_too_short_a_delay_for_the_acknowledgement_payload_fails() -> None:
    """At 250 kbit/s 32 bytes need 1500 µs, section 7.4.2; 1446 µs by Table 19's formula."""
    flags = {}
    for delay in (3, 4, 5):
        sender, listener = linked(rate=0, dynamic=True, delay=delay, count=2)
        listener.spi(0xA8, *bytes(32))
        flags[delay] = sender.send(b"ask")
    assert flags == {3: 0x10, 4: 0x10, 5: 0x60}


def test_packets_without_acknowledgement() -> None:
    sender, listener = linked(dynamic=True)
    sender.spi(0xB0, *b"shout")
    start = sender.agenda.now
    sender.ce(1)
    sender.wait(10e-6)
    sender.ce(0)
    while sender.chip.irq.level:
        assert sender.agenda.run_next(start + 1.0)
    assert sender.agenda.now - start == pytest.approx(130e-6 + 113e-6 + 8.2e-6, abs=1e-9)
    sender.wait(1e-3)
    assert listener.receive() == [(0, b"shout")]
    assert listener.chip.bursts == 0


def test_a_full_receive_store_takes_no_more_and_does_not_acknowledge() -> None:
    sender, listener = linked(count=1)
    flags = [sender.send(bytes([number] * 8)) for number in range(4)]
    assert flags == [0x20, 0x20, 0x20, 0x10]
    assert listener.read(0x17)[0] & 0x02
    assert [payload[0] for _, payload in listener.receive()] == [0, 1, 2]
    assert sender.send(b"12345678") == 0x20


def test_six_pipes() -> None:
    sender, listener = linked()
    listener.ce(0)
    listener.write(0x02, 0x3F)
    listener.write(0x01, 0x3F)
    for pipe in range(6):
        listener.write(0x11 + pipe, 8)
    listener.ce(1)
    listener.wait(1e-3)
    for pipe in range(6):
        address = ADDRESS if pipe == 0 else bytes([0xC1 + pipe, *b"\xc2\xc2\xc2\xc2"])  # Table 28
        sender.write(0x10, *address)
        sender.write(0x0A, *address)
        assert sender.send(b"to pipe%d" % pipe) == 0x20
        assert listener.receive() == [(pipe, b"to pipe%d" % pipe)]


@pytest.mark.parametrize(
    ("register", "value"),
    [(0x05, 77), (0x06, 0x0E), (0x0A, 0x12), (0x00, 0x0B), (0x03, 2), (0x11, 9), (0x02, 0x02)],
    ids=["channel", "rate", "address", "CRC length", "address width", "payload width", "pipe off"],
)
def test_one_differing_setting_and_nothing_is_received(register: int, value: int) -> None:
    sender, listener = linked(count=1)
    listener.write(register, value)
    listener.wait(1e-3)
    assert sender.send(b"12345678") == 0x10
    assert listener.read(0x17)[0] & 0x01


def test_a_short_ce_pulse_sends_nothing_and_is_noted() -> None:
    sender, listener = linked()  # Table 16: at least 10 µs
    sender.spi(0xA0, *b"12345678")
    sender.ce(1)
    sender.wait(5e-6)
    sender.ce(0)
    sender.wait(5e-3)
    assert listener.receive() == []
    assert sender.chip.violations["CE pulse shorter than 10 µs"] == 1


def test_ce_held_high_sends_the_store_empty() -> None:
    sender, listener = linked()
    for number in range(3):
        sender.spi(0xA0, *[number] * 8)
    sender.ce(1)
    sender.wait(5e-3)
    assert [payload[0] for _, payload in listener.receive()] == [0, 1, 2]
    assert sender.chip.state.value == "standby-II"
    sender.spi(0xA0, *[7] * 8)
    sender.wait(1e-3)
    assert listener.receive() == [(0, bytes([7] * 8))]


def test_the_plain_format_of_older_chips() -> None:
    """EN_AA = 0 and ARC = 0 leave out the control field, section 7.10: 137 − 9 bits."""
    sender, listener = linked(auto_ack=0, count=0)
    start = sender.agenda.now
    assert sender.send(b"12345678") == 0x20
    assert sender.agenda.now - start == pytest.approx(130e-6 + 128e-6 + 8.2e-6, abs=1e-9)
    assert listener.receive() == [(0, b"12345678")]


def test_masked_interrupts_stay_off_the_pin() -> None:
    sender, listener = linked()
    listener.write(0x00, 0x4F)
    assert sender.send(b"12345678") == 0x20
    assert listener.chip.irq.level == 1.0
    assert listener.status() & 0x40
    listener.write(0x00, 0x0F)
    assert listener.chip.irq.level == 0.0


def test_reuse_sends_the_last_payload_again() -> None:
    sender, listener = linked(auto_ack=0)
    assert sender.send(b"12345678") == 0x20
    assert listener.receive() == [(0, b"12345678")]
    sender.spi(0xE3)
    assert sender.read(0x17)[0] & 0x40
    sender.ce(1)
    sender.wait(10e-6)
    sender.ce(0)
    sender.wait(1e-3)
    assert listener.receive() == [(0, b"12345678")]


@pytest.mark.parametrize(("loss", "seen"), [(63.5, 1), (64.5, 0)])
def test_received_power_threshold(loss: float, seen: int) -> None:
    """−64 dBm, section 6.4; a constant carrier of 0 dBm, Appendix C."""
    sender, listener = world(loss)
    sender.set_up(False)
    sender.write(0x06, 0x96)
    sender.ce(1)
    sender.wait(200e-6)
    listener.set_up(True)
    assert listener.read(0x09)[0] == 0
    listener.wait(41e-6)  # 130 + 40 µs after entering RX, section 6.1.4
    assert listener.read(0x09)[0] == seen
    listener.ce(0)
    sender.ce(0)
    listener.wait(1e-3)
    assert listener.read(0x09)[0] == seen  # latched at the end of listening
    listener.ce(1)
    listener.wait(1e-3)
    assert listener.read(0x09)[0] == 0


def test_received_power_is_latched_by_a_packet() -> None:
    sender, listener = linked(50.0)
    assert sender.send(b"12345678") == 0x20
    listener.wait(5e-3)
    assert listener.read(0x09)[0] == 1
    listener.ce(0)
    listener.ce(1)
    listener.wait(1e-3)
    assert listener.read(0x09)[0] == 0


@pytest.mark.parametrize(("dynamic", "flags"), [(False, 0x20), (True, 0x10)])
def test_a_clone_acknowledges_until_features_are_on(dynamic: bool, flags: int) -> None:
    sender, _ = world()  # from memory
    listener = Driver(
        Transceiver(sender.agenda, sender.chip.air, random.Random(1), TransceiverConfig(variant="clone"), "clone")
    )
    sender.set_up(False, dynamic=dynamic)
    listener.spi(0x50, 0x73)
    listener.set_up(True, dynamic=dynamic)
    assert sender.send(b"12345678") == flags
    assert listener.receive() == [(0, b"12345678")]


def _flags(driver: Driver) -> int:
    return driver.status() & 0x70


def test_power_down_in_mid_packet_cuts_it() -> None:
    sender, listener = linked()
    sender.spi(0xA0, *b"12345678")
    sender.ce(1)
    sender.wait(200e-6)
    sender.write(0x00, 0x0C)
    sender.wait(5e-3)
    assert listener.receive() == []
    assert _flags(sender) == 0


@pytest.mark.parametrize(
    ("degrees", "loss", "seen"), [(-40.0, 68.0, 1), (-40.0, 70.0, 0), (85.0, 60.0, 0), (85.0, 58.0, 1)]
)
def test_received_power_threshold_moves_with_temperature(degrees: float, loss: float, seen: int) -> None:
    """5 dB lower at −40 °C, 5 dB higher at +85 °C, section 6.4."""
    sender, listener = world(loss, temperature_c=degrees)
    sender.set_up(False)
    sender.write(0x06, 0x96)
    sender.ce(1)
    listener.set_up(True)
    listener.wait(1e-3)
    assert listener.read(0x09)[0] == seen


def test_the_window_for_the_answer_closes() -> None:
    """The address must be matched within 250 µs of listening, section 7.4.2: an answer at the wrong time is none."""
    sender, listener = linked(delay=3)
    sent = sender.chip.compose(sender.chip.upload(b"1"), 0.0)
    pipe = listener.chip.pipe_for(sender.chip.compose(sender.chip.upload(bytes(8)), 0.0))
    assert pipe is not None
    in_time = {
        late: sender.chip.in_time(sent, listener.chip.answer_to(sent, pipe, sent.end + late))
        for late in (120e-6, 130e-6, 330e-6, 340e-6)  # 48 µs of preamble and address
    }
    assert in_time == {120e-6: False, 130e-6: True, 330e-6: True, 340e-6: False}


def test_supply_lost_in_mid_packet() -> None:
    sender, listener = linked()
    sender.spi(0xA0, *b"12345678")
    sender.ce(1)
    sender.wait(200e-6)
    sender.chip.power(1.0, sender.agenda.now)
    sender.wait(20e-3)
    assert listener.receive() == []
    assert sender.chip.irq.level == 1.0
    sender.chip.power(3.3, sender.agenda.now)
    sender.wait(20e-3)
    assert sender.read(0x00)[0] == 0x08
    sender.set_up(False)
    assert sender.send(b"12345678") == 0x20


@pytest.mark.parametrize(("payload", "received"), [(b"new data", 1), (b"12345678", 0)])
def test_a_repeat_has_the_same_identity_and_the_same_crc(payload: bytes, received: int) -> None:
    """Section 7.5.2; the identity has two bits, so after four lost packets only the CRC tells."""
    sender, listener = linked()
    sender.chip.transact(b"12345678", 0.01)
    for _ in range(3):
        sender.chip.upload(b"lost")
    assert len(sender.chip.transact(payload, 0.02).received) == received
    assert len(sender.chip.transact(payload, 0.03).received) == 1
    assert listener.chip.bursts == 3


def test_an_answer_must_carry_the_identity_of_the_packet() -> None:
    sender, listener = linked()
    first, second = (sender.chip.compose(sender.chip.upload(bytes(8)), 0.0) for _ in range(2))
    pipe = listener.chip.pipe_for(first)
    assert pipe is not None
    answer = listener.chip.answer_to(first, pipe, 0.001)
    assert sender.chip.is_answer(first, answer)
    assert not sender.chip.is_answer(second, answer)


def test_a_receiver_follows_the_first_packet_even_when_a_stronger_one_ruins_it() -> None:
    weak, strong, listener = world(70.0, count=3)
    for driver in (weak, strong, listener):
        driver.set_up(driver is listener, auto_ack=0)
    weak.chip.air.set_path_loss(strong.chip, listener.chip, 30.0)
    for driver in (weak, strong):
        driver.spi(0xA0, *b"12345678")
        driver.ce(1)
        driver.wait(40e-6)
    weak.wait(1e-3)
    assert listener.receive() == []


@pytest.mark.parametrize("late", [0.0, 10e-6])
def test_a_packet_must_be_heard_from_its_start(late: float) -> None:
    sender, listener = linked(count=0)
    listener.ce(0)
    sender.spi(0xA0, *b"12345678")
    sender.ce(1)
    sender.wait(late)
    listener.ce(1)
    sender.wait(1e-3)
    assert len(listener.receive()) == (not late)


def test_no_room_for_an_acknowledgement_payload_no_acknowledgement() -> None:
    sender, listener = linked(dynamic=True, count=0)
    for number in range(4):
        listener.spi(0xA8, number)
        assert sender.send(b"ask") == (0x60 if number < 3 else 0x10)
        listener.receive()


def test_supply_current_while_waiting_for_an_answer_that_never_comes() -> None:
    """Table 7; after the packet 130 µs of settling, 250 µs of listening, then standby-II until the next try."""
    (sender,) = world(count=1)
    sender.set_up(False, delay=3, count=1)
    heard: list[tuple[float, float]] = []
    start = sender.agenda.now
    sender.chip.current.connect(lambda level, time: heard.append((round((time - start) * 1e6), round(level * 1e6))))
    assert sender.send(b"12345678") == 0x10
    assert heard == [
        (0, 8000), (130, 11300), (267, 8900), (397, 13100), (647, 320), (1137, 8000),
        (1267, 11300), (1404, 8900), (1534, 13100), (1784, 320), (2404, 26),
    ]  # fmt: skip


def test_two_pipes_with_one_address() -> None:
    sender, listener = linked()
    listener.write(0x02, 0x03)
    listener.write(0x0B, *ADDRESS)
    listener.write(0x12, 8)
    listener.wait(1e-3)
    assert sender.send(b"12345678") == 0x20
    assert listener.receive() == [(0, b"12345678")]  # lower pipe first: from memory


def test_acknowledgement_payloads_need_their_feature() -> None:
    (chip,) = world(count=1)
    chip.spi(0xA8, 1)
    assert chip.read(0x17)[0] == 0x11
    chip.write(0x1D, 0x06)
    chip.spi(0xA8, 1)
    assert chip.read(0x17)[0] == 0x01


def test_a_new_payload_ends_reuse() -> None:
    (chip,) = world(count=1)  # section 8.4, TX_REUSE
    chip.spi(0xA0, 1)
    chip.spi(0xE3)
    assert chip.read(0x17)[0] & 0x40
    chip.spi(0xA0, 2)
    assert not chip.read(0x17)[0] & 0x40
