"""The far end of the reach over the air, as in `firmware_probe/relay.cpp`: pieces of frames in, pieces of ours out."""

from __future__ import annotations

from collections.abc import Generator

from benchctl.parts import radio_setup
from benchctl.parts.nrf24_registers import PAYLOAD_MAX, TX_EMPTY, Command, Reg
from benchctl.sim.probe import Probe
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_radio import Radio
from benchctl.wire.catalogue import SETTING_BY_NAME, Piece

#: how often the main loop looks, and how often it tries to set the transceiver up
LOOK_S, LOOKS_A_TRY = 1e-3, 16
#: the shortest piece with bytes in it
_LEAST = 9


class Relay:
    """Listens while nothing else uses the transceiver and the setting says so."""

    def __init__(self, probe: Probe, base: Base, radio: Radio) -> None:
        self.probe = probe
        self.radio = radio
        self._tell_start = base.tell_start
        self._begun = False
        self._next_in = 0
        self._next_out = 0
        self._size_out = 0
        self._looking = False
        radio.on_piece = self.take
        base.on_setting.append(self._changed)
        self._changed(SETTING_BY_NAME["air_reach"].key)

    @property
    def _on(self) -> bool:
        return bool(self.probe.settings.number("air_reach")) and not radio_setup.fixed_length(
            self.probe.settings.number
        )

    def _changed(self, key: int) -> None:
        ours = key in (-1, SETTING_BY_NAME["air_reach"].key, SETTING_BY_NAME["radio_crc"].key)
        if ours and self._on and not self._looking:
            self._looking = True
            self.probe.run(self._looks())

    # ------------------------------------------------------------------ pieces in

    def take(self, payload: bytes) -> None:
        """A packet that is no control packet."""
        head = payload[0] ^ Piece.TO_BOARD if payload else 0xFF
        if not self._on or head & 0xF0 or 1 < len(payload) < _LEAST:
            return
        out = self.probe.out
        if head & Piece.BEGIN_ANEW:
            self._next_in = self._next_out = self._size_out = 0
            out.divert(True)
            if not self._begun:
                self._tell_start()
            self._begun = True
        if not self._begun:
            return
        if self._size_out and bool(head & Piece.WANTED) != bool(self._next_out):
            out.skip(self._size_out)
            self._size_out = 0
            self._next_out ^= 1
        if not head & Piece.AT_ONCE:
            if len(payload) == 1 or head & Piece.NUMBER != self._next_in:
                return
            self._next_in ^= 1
        self.probe.take_by_air(payload[1:], self.probe.agenda.now)

    def _arrived(self, payload: bytes, time: float) -> None:
        self.take(payload)

    # ------------------------------------------------------------------ pieces out

    def _looks(self) -> Generator[float, None, None]:
        looks = 0
        while self._on:
            yield LOOK_S
            if not self.probe.hung:
                self._look(looks % LOOKS_A_TRY == 0)
            looks += 1
        self._looking = False

    def _look(self, may_try: bool) -> None:
        radio = self.radio
        if radio.busy:
            if radio.on_packet is None or self.probe.busy.taken["radio"] != "loop_start" or not radio.receiving:
                return
        elif radio.written is None or not radio.receiving or radio.on_packet != self._arrived:
            if may_try and radio.present() and radio.apply() == 0:
                radio.serve(self._arrived)
            return
        else:
            radio.ce(1)  # the pins may have been wired anew
        if radio.spi(radio_setup.read(Reg.FIFO_STATUS))[1] & TX_EMPTY:
            self._load()

    def _load(self) -> None:
        """The piece that is due; the same again until it has been asked past."""
        data = self.probe.out.peek(PAYLOAD_MAX - 1)
        self._size_out = len(data)
        if data or not self._begun:
            head = Piece.FROM_BOARD | (self._next_out if self._begun else Piece.BEGIN_ANEW)
            self.radio.spi(bytes((Command.W_ACK_PAYLOAD, head)) + data)
