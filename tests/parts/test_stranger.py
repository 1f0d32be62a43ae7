"""Another craft on the air: it acknowledges what comes to its address, and nothing else."""

from __future__ import annotations

import random

import pytest
from radio_driver import Driver

from benchctl.benchfile import StrangerSpec
from benchctl.parts.agenda import Agenda
from benchctl.parts.air import Air
from benchctl.parts.nrf24 import Transceiver, TransceiverConfig
from benchctl.parts.stranger import stranger
from benchctl.wire.catalogue import ADDRESS_LOW

OWN = 0xA1B2C3D4


@pytest.mark.parametrize(("address", "channel", "answers"), [(OWN, 76, True), (OWN + 1, 76, False), (OWN, 80, False)])
def test_it_answers_on_its_own_address_and_channel_for_as_long_as_it_is_asked(address: int, channel: int, answers: bool) -> None:
    agenda = Agenda()
    air = Air(random.Random(1))
    sender = Driver(Transceiver(agenda, air, random.Random(2), TransceiverConfig(), "sender", powered=True))
    stranger(StrangerSpec(address=address, channel=channel), agenda, air, random.Random(3))
    sender.set_up(receives=False, dynamic=True)
    for register in (0x0A, 0x10):
        sender.write(register, ADDRESS_LOW, *OWN.to_bytes(4, "little"))
    sender.wait(5e-3)
    sent = []
    for _ in range(6):
        sent.append(sender.chip.transact(bytes(8), agenda.now).ok)
        sender.wait(0.05)

    assert sent == [answers] * 6
