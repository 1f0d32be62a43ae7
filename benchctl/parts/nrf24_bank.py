"""The register bank of the transceiver, and what its present settings mean for the air.

Source: nRF24L01+ Product Specification v1.0, section 9.
"""

from __future__ import annotations

from typing import NamedTuple

from benchctl.parts.nrf24_registers import (
    ARD_STEP,
    CRCO,
    EN_ACK_PAY,
    EN_CRC,
    EN_DPL,
    EN_DYN_ACK,
    PWR_UP,
    RESET,
    RESET_ADDRESSES,
    RF_DR_HIGH,
    RF_DR_LOW,
    TX_POWER_DBM,
    WRITABLE,
    Reg,
    Variant,
)

_LOCKED = (Reg.DYNPD, Reg.FEATURE)


class Pipe(NamedTuple):
    """One enabled receive pipe. length: static payload bytes; dynamic: the length field of the packet rules."""

    number: int
    auto_ack: bool
    dynamic: bool
    length: int


class Settings(NamedTuple):
    """The settings that matter on the air, worked out once per change. Times in s, power in dBm at the pin."""

    channel: int
    rate: int
    power: int
    power_dbm: float
    width: int
    crc_bytes: int
    enhanced: bool
    tx_address: bytes
    pipes: dict[bytes, Pipe]
    acknowledged: bool  # sends with acknowledgement: auto-acknowledge on pipe 0
    dynamic_tx: bool
    retry_delay: float
    retries: int
    powered_up: bool
    receives: bool
    ack_payloads: bool
    dynamic_ack: bool
    no_ack_bit: int  # the bit on the air that says "do not acknowledge"


class Bank:
    """Registers as written over SPI. Reserved bits and addresses read 0."""

    def __init__(self, variant: Variant, tx_offset_db: float) -> None:
        """tx_offset_db: output power above the nominal, amplifier included."""
        self._variant = variant
        self._tx_offset_db = tx_offset_db
        self._writable = {**WRITABLE, Reg.RF_SETUP: variant.rf_setup_writable}
        self.reset()

    def reset(self) -> None:
        self.value: dict[int, int] = {**RESET, Reg.RF_SETUP: self._variant.rf_setup_reset}
        self.address: dict[int, bytes] = dict(RESET_ADDRESSES)
        self.locked = self._variant.locked_features
        self.settings = self._work_out()

    def activate(self) -> None:
        """ACTIVATE 0x73 where the variant has it; elsewhere nothing happens."""
        if self._variant.locked_features:
            self.locked = not self.locked
            self.settings = self._work_out()

    def read(self, register: int) -> bytes:
        if register in self.address:
            return self.address[register]
        if self.locked and register in _LOCKED:
            return b"\0"
        value = self.value.get(register, 0)
        if register == Reg.CONFIG and self.value[Reg.EN_AA]:
            value |= EN_CRC  # "forced high if one of the bits in EN_AA is high", Table 28
        return bytes((value,))

    def write(self, register: int, data: bytes) -> None:
        """The bytes after the command; lowest byte first, missing ones keep their value."""
        if not data or (self.locked and register in _LOCKED):
            return
        if register in self.address:
            old = self.address[register]
            self.address[register] = data[:5] + old[len(data) :]
        elif register in self._writable:
            self.value[register] = data[0] & self._writable[register]
        self.settings = self._work_out()

    def feature(self, bit: int) -> bool:
        return not self.locked and bool(self.value[Reg.FEATURE] & bit)

    def _work_out(self) -> Settings:
        value = self.value
        config, setup, retry = value[Reg.CONFIG], value[Reg.RF_SETUP], value[Reg.SETUP_RETR]
        width = value[Reg.SETUP_AW] + 2
        checked = bool(config & EN_CRC) or bool(value[Reg.EN_AA])
        power = setup >> 1 & 3
        features = not self.locked and bool(value[Reg.FEATURE])
        return Settings(
            channel=value[Reg.RF_CH],
            rate=0 if setup & RF_DR_LOW else 2 if setup & RF_DR_HIGH else 1,
            power=power,
            power_dbm=TX_POWER_DBM[power] + self._tx_offset_db,
            width=width,
            crc_bytes=(2 if config & CRCO else 1) if checked else 0,
            # section 7.10: off only with no automatic acknowledgement and no retransmission
            enhanced=bool(value[Reg.EN_AA]) or bool(retry & 0x0F),
            tx_address=self.address[Reg.TX_ADDR][:width],
            pipes=self._pipes(width),
            acknowledged=bool(value[Reg.EN_AA] & 1),
            dynamic_tx=self.feature(EN_DPL) and bool(value[Reg.DYNPD] & 1),
            retry_delay=((retry >> 4) + 1) * ARD_STEP,
            retries=retry & 0x0F,
            powered_up=bool(config & PWR_UP),
            receives=bool(config & 1),
            ack_payloads=self.feature(EN_ACK_PAY),
            dynamic_ack=self.feature(EN_DYN_ACK),
            no_ack_bit=0 if self._variant.no_ack_inverted and features else 1,
        )

    def _pipes(self, width: int) -> dict[bytes, Pipe]:
        """By address; where two pipes have the same one, the lower pipe gets the packets."""
        value, pipes = self.value, {}
        dynamic = value[Reg.DYNPD] if self.feature(EN_DPL) else 0
        for number in range(5, -1, -1):
            if not value[Reg.EN_RXADDR] >> number & 1:
                continue
            if number < 2:
                address = self.address[Reg.RX_ADDR_P0 + number][:width]
            else:
                address = bytes((value[Reg.RX_ADDR_P0 + number],)) + self.address[Reg.RX_ADDR_P1][1:width]
            pipes[address] = Pipe(
                number,
                bool(value[Reg.EN_AA] >> number & 1),
                bool(dynamic >> number & 1),
                value[Reg.RX_PW_P0 + number],
            )
        return pipes
