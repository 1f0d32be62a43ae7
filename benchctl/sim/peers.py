"""Which board sits behind a transceiver: hands on packets that were sent as a whole."""

from __future__ import annotations

from collections.abc import Callable

from benchctl.parts.nrf24 import Reception
from benchctl.parts.nrf24_registers import RX_DR

Receiver = Callable[[bytes, float], object]


class Peers:
    """Receivers by transceiver."""

    def __init__(self) -> None:
        self._receivers: dict[int, Callable[[], Receiver | None]] = {}

    def join(self, radio: object, receiver: Callable[[], Receiver | None]) -> None:
        """receiver(): who takes packets of this transceiver at present, None when nobody serves it."""
        self._receivers[id(radio)] = receiver

    def deliver(self, got: Reception) -> None:
        """Hand on a reception, or leave it in the transceiver's store with its interrupt pending."""
        find = self._receivers.get(id(got.radio))
        receiver = find() if find is not None else None
        if receiver is not None:
            receiver(got.payload, got.time)
        elif got.radio.rx.push(got.pipe, got.payload):
            got.radio.agenda.at(got.time, got.radio._flag, RX_DR)
