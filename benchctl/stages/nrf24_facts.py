"""What the nRF24L01+ data sheet promises about registers, for judging a chip. nRF24L01+ Product Specification v1.0,
tables 20 and 28. Kept apart from the part model on purpose: who judges does not know the truth."""

from __future__ import annotations

from dataclasses import dataclass

NOP = 0xFF
READ = 0x00
WRITE = 0x20
FLUSH_TX = 0xE1
FLUSH_RX = 0xE2
WRITE_PAYLOAD = 0xA0

CONFIG, EN_AA, EN_RXADDR, SETUP_AW, SETUP_RETR, RF_CH, RF_SETUP, STATUS = range(8)
OBSERVE_TX, RPD, RX_ADDR_P0, RX_ADDR_P1 = range(8, 12)
TX_ADDR, RX_PW_P0, FIFO_STATUS, DYNPD, FEATURE = 0x10, 0x11, 0x17, 0x1C, 0x1D

MAX_RT = 0x10
TX_DS = 0x20
STATUS_FLAGS = 0x70


@dataclass(frozen=True, slots=True)
class Register:
    """address, data-sheet name, value after power-on, bits that can be written and read back, width in bytes."""

    address: int
    name: str
    reset: int
    writable: int
    width: int = 1


REGISTERS: tuple[Register, ...] = (
    Register(CONFIG, "CONFIG", 0x08, 0x7D),  # PWR_UP is left out: writing it starts the crystal
    Register(EN_AA, "EN_AA", 0x3F, 0x3F),
    Register(EN_RXADDR, "EN_RXADDR", 0x03, 0x3F),
    Register(SETUP_AW, "SETUP_AW", 0x03, 0x03),
    Register(SETUP_RETR, "SETUP_RETR", 0x03, 0xFF),
    Register(RF_CH, "RF_CH", 0x02, 0x7F),
    Register(RF_SETUP, "RF_SETUP", 0x0E, 0x0E),  # bit 0 is "don't care", bit 5 tells variants apart
    Register(RX_ADDR_P0, "RX_ADDR_P0", 0xE7E7E7E7E7, 0xFFFFFFFFFF, 5),
    Register(RX_ADDR_P1, "RX_ADDR_P1", 0xC2C2C2C2C2, 0xFFFFFFFFFF, 5),
    Register(0x0C, "RX_ADDR_P2", 0xC3, 0xFF),
    Register(0x0D, "RX_ADDR_P3", 0xC4, 0xFF),
    Register(0x0E, "RX_ADDR_P4", 0xC5, 0xFF),
    Register(0x0F, "RX_ADDR_P5", 0xC6, 0xFF),
    Register(TX_ADDR, "TX_ADDR", 0xE7E7E7E7E7, 0xFFFFFFFFFF, 5),
    *(Register(RX_PW_P0 + pipe, f"RX_PW_P{pipe}", 0x00, 0x3F) for pipe in range(6)),
)


def status_possible(status: int) -> bool:
    """Whether a STATUS byte can come from a working chip: bit 7 is always 0, RX_P_NO is never 110 (table 28)."""
    return status & 0x80 == 0 and (status >> 1) & 7 != 6


def patterns(register: Register) -> tuple[int, ...]:
    """Values that move every writable bit both ways; SETUP_AW 00 is illegal, CONFIG and EN_AA bind the CRC."""
    if register.address == SETUP_AW:
        return (0x01, 0x02, 0x03)
    if register.address == CONFIG:
        # EN_CRC is forced high while any EN_AA bit is set (table 28), so only CRCO, masks and PRIM_RX are moved
        return (0x08 | 0x55 & 0x74, 0x08 | 0x2A & 0x74 | 0x01)
    ones = int.from_bytes(b"\x55" * register.width, "little")
    return (ones & register.writable, ~ones & register.writable)
