"""Registers, commands and figures of the nRF24L01+ and its relatives, as tables.

Source: nRF24L01+ Product Specification v1.0, Tables 2–4, 7–16, 20, 28. The figures of the
other variants are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Reg(IntEnum):
    """Register addresses, Table 28."""

    CONFIG = 0x00
    EN_AA = 0x01
    EN_RXADDR = 0x02
    SETUP_AW = 0x03
    SETUP_RETR = 0x04
    RF_CH = 0x05
    RF_SETUP = 0x06
    STATUS = 0x07
    OBSERVE_TX = 0x08
    RPD = 0x09
    RX_ADDR_P0 = 0x0A
    RX_ADDR_P1 = 0x0B
    RX_ADDR_P2 = 0x0C
    RX_ADDR_P3 = 0x0D
    RX_ADDR_P4 = 0x0E
    RX_ADDR_P5 = 0x0F
    TX_ADDR = 0x10
    RX_PW_P0 = 0x11
    RX_PW_P1 = 0x12
    RX_PW_P2 = 0x13
    RX_PW_P3 = 0x14
    RX_PW_P4 = 0x15
    RX_PW_P5 = 0x16
    FIFO_STATUS = 0x17
    DYNPD = 0x1C
    FEATURE = 0x1D


class Command(IntEnum):
    """SPI commands, Table 20; the address or pipe is or-ed into the first three."""

    R_REGISTER = 0x00
    W_REGISTER = 0x20
    W_ACK_PAYLOAD = 0xA8
    ACTIVATE = 0x50  # only on variants that lock the features
    R_RX_PL_WID = 0x60
    R_RX_PAYLOAD = 0x61
    W_TX_PAYLOAD = 0xA0
    W_TX_PAYLOAD_NOACK = 0xB0
    FLUSH_TX = 0xE1
    FLUSH_RX = 0xE2
    REUSE_TX_PL = 0xE3
    NOP = 0xFF


ACTIVATE_KEY = 0x73

# CONFIG
MASK_RX_DR, MASK_TX_DS, MASK_MAX_RT, EN_CRC, CRCO, PWR_UP, PRIM_RX = 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01
# STATUS
RX_DR, TX_DS, MAX_RT, STATUS_TX_FULL = 0x40, 0x20, 0x10, 0x01
FLAGS = RX_DR | TX_DS | MAX_RT
NO_PIPE = 0x07  # RX_P_NO when the receive FIFO is empty
# RF_SETUP
CONT_WAVE, RF_DR_LOW, PLL_LOCK, RF_DR_HIGH = 0x80, 0x20, 0x10, 0x08
# FIFO_STATUS
TX_REUSE, TX_FULL, TX_EMPTY, RX_FULL, RX_EMPTY = 0x40, 0x20, 0x10, 0x02, 0x01
# FEATURE
EN_DPL, EN_ACK_PAY, EN_DYN_ACK = 0x04, 0x02, 0x01

#: one-byte registers after power-on reset, Table 28; STATUS, OBSERVE_TX, RPD and FIFO_STATUS are made up when read
RESET: dict[int, int] = {
    Reg.CONFIG: 0x08, Reg.EN_AA: 0x3F, Reg.EN_RXADDR: 0x03, Reg.SETUP_AW: 0x03, Reg.SETUP_RETR: 0x03,
    Reg.RF_CH: 0x02, Reg.RF_SETUP: 0x0E,
    Reg.RX_ADDR_P2: 0xC3, Reg.RX_ADDR_P3: 0xC4, Reg.RX_ADDR_P4: 0xC5, Reg.RX_ADDR_P5: 0xC6,
    Reg.RX_PW_P0: 0, Reg.RX_PW_P1: 0, Reg.RX_PW_P2: 0, Reg.RX_PW_P3: 0, Reg.RX_PW_P4: 0, Reg.RX_PW_P5: 0,
    Reg.DYNPD: 0x00, Reg.FEATURE: 0x00,
}  # fmt: skip

#: five-byte registers after power-on reset, lowest byte first as on SPI
RESET_ADDRESSES: dict[int, bytes] = {
    Reg.RX_ADDR_P0: bytes([0xE7] * 5),
    Reg.RX_ADDR_P1: bytes([0xC2] * 5),
    Reg.TX_ADDR: bytes([0xE7] * 5),
}

#: the bits that can be written; all others read as 0
WRITABLE: dict[int, int] = {
    Reg.CONFIG: 0x7F, Reg.EN_AA: 0x3F, Reg.EN_RXADDR: 0x3F, Reg.SETUP_AW: 0x03, Reg.SETUP_RETR: 0xFF,
    Reg.RF_CH: 0x7F, Reg.RF_SETUP: 0xBE,
    Reg.RX_ADDR_P2: 0xFF, Reg.RX_ADDR_P3: 0xFF, Reg.RX_ADDR_P4: 0xFF, Reg.RX_ADDR_P5: 0xFF,
    Reg.RX_PW_P0: 0x3F, Reg.RX_PW_P1: 0x3F, Reg.RX_PW_P2: 0x3F, Reg.RX_PW_P3: 0x3F, Reg.RX_PW_P4: 0x3F,
    Reg.RX_PW_P5: 0x3F, Reg.DYNPD: 0x3F, Reg.FEATURE: 0x07,
}  # fmt: skip

FIFO_LEVELS = 3
PAYLOAD_MAX = 32

# times in seconds, Tables 14 and 16, sections 7.4.2 and 7.7
SETTLING = 130e-6  # standby to TX or RX, and between the two
CE_PULSE_MIN = 10e-6
TX_STAY_MAX = 4e-3
ARD_STEP = 250e-6
RPD_TIME = 40e-6

#: by rate: 0 is 250 kbit/s, 1 is 1 Mbit/s, 2 is 2 Mbit/s
BIT_RATE = (250e3, 1e6, 2e6)
#: packet's end to interrupt, Figure 15; none is given for 250 kbit/s, the figure of 1 Mbit/s stands in
IRQ_DELAY = (8.2e-6, 8.2e-6, 6.0e-6)
#: how long a sender waits for the address of the acknowledgement, section 7.4.2
ACK_WINDOW = (500e-6, 250e-6, 250e-6)

#: dBm by RF_PWR
TX_POWER_DBM = (-18.0, -12.0, -6.0, 0.0)
#: A by RF_PWR, Table 7
TX_CURRENT = (7.0e-3, 7.5e-3, 9.0e-3, 11.3e-3)
#: A by rate, Table 7
RX_CURRENT = (12.6e-3, 13.1e-3, 13.5e-3)


@dataclass(frozen=True)
class Variant:
    """What can be seen of a relative of the reference chip, on its registers and its supply.

    locked_features: FEATURE and DYNPD stay 0 until ACTIVATE 0x73, which toggles them.
    no_ack_inverted: the NO_ACK bit on the air has the other sense as soon as a feature is on.
    """

    name: str
    rf_setup_reset: int = RESET[Reg.RF_SETUP]
    rf_setup_writable: int = WRITABLE[Reg.RF_SETUP]
    locked_features: bool = False
    no_ack_inverted: bool = False
    pa_gain_db: float = 0.0
    lna_gain_db: float = 0.0
    tx_current: tuple[float, float, float, float] = TX_CURRENT
    extra_rx_current: float = 0.0


#: "plus" is the data sheet's; the rest is from memory
VARIANTS: dict[str, Variant] = {
    variant.name: variant
    for variant in (
        Variant("plus"),
        Variant("nrf24l01", rf_setup_reset=0x0F, rf_setup_writable=0x1F, locked_features=True),
        Variant("clone", rf_setup_reset=0x0F, rf_setup_writable=0x9F, locked_features=True, no_ack_inverted=True),
        Variant("look-alike", no_ack_inverted=True),
        Variant("high-power", pa_gain_db=20.0, lna_gain_db=10.0, extra_rx_current=20e-3,
                tx_current=(35e-3, 50e-3, 75e-3, 115e-3)),
    )
}  # fmt: skip
