"""What the transceiver allows at best: air time, exchange time, packet rates, latency floors.

From the nRF24L01+ Product Specification v1.0 (September 2008): packet format section 7.3 and figure 5, times
table 16 and figure 15, retransmit delays section 7.4.2 and table 18. Times in µs, rates in bits per second.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchctl.errors import UsageError

RATES = (250_000, 1_000_000, 2_000_000)
#: standby to transmit or receive and back, table 16
SETTLE_US = 130.0
#: from the end of a packet on air to the falling interrupt line, figure 15; none is given for 250 kbit/s
IRQ_US = {250_000: 8.2, 1_000_000: 8.2, 2_000_000: 6.0}
#: preamble byte and the 9 bits of the control field, section 7.3
PREAMBLE_BITS, CONTROL_BITS = 8, 9


@dataclass(frozen=True, slots=True)
class RadioFormat:
    """How packets are sent.

    rate: one of RATES. payload, ack_payload: bytes, 0 to 32. address: bytes, 3 to 5. crc: bytes, 1 or 2.
    Raises UsageError for anything else.
    """

    rate: int = 1_000_000
    payload: int = 8
    address: int = 5
    crc: int = 2
    ack_payload: int = 0

    def __post_init__(self) -> None:
        if self.rate not in RATES:
            raise UsageError(f"data rate {self.rate} is none of {', '.join(map(str, RATES))}")
        if not (0 <= self.payload <= 32 and 0 <= self.ack_payload <= 32):
            raise UsageError(f"payloads are 0 to 32 bytes, got {self.payload} and {self.ack_payload}")
        if self.address not in (3, 4, 5) or self.crc not in (1, 2):
            raise UsageError(f"addresses are 3 to 5 bytes and CRCs 1 or 2, got {self.address} and {self.crc}")

    @property
    def air_us(self) -> float:
        """Time of one packet on air."""
        return air_us(self.payload, self.rate, self.address, self.crc)

    @property
    def ack_us(self) -> float:
        """Time of its acknowledgement on air."""
        return air_us(self.ack_payload, self.rate, self.address, self.crc)

    @property
    def exchange_us(self) -> float:
        """Settle, packet, settle, acknowledgement: without upload and interrupt."""
        return 2 * SETTLE_US + self.air_us + self.ack_us


@dataclass(frozen=True, slots=True)
class Processor:
    """What the processor adds, µs: SPI per byte, pause after each SPI byte, interrupt entry and the like."""

    spi_byte_us: float = 1.0
    gap_us: float = 0.0
    interrupt_us: float = 0.0

    def spi_us(self, payload: int) -> float:
        """One SPI transfer of a command byte and `payload` bytes."""
        return (payload + 1) * (self.spi_byte_us + self.gap_us)


#: nothing but SPI at 8 MHz
IDEAL = Processor()
#: an AVR at 16 MHz: 1 µs after each SPI byte, 2 µs to enter an interrupt
AVR_16MHZ = Processor(gap_us=1.0, interrupt_us=2.0)


def air_bits(payload: int, address: int = 5, crc: int = 2) -> int:
    """Bits of one packet on air: 8 (1 + address + payload + CRC) + 9."""
    return PREAMBLE_BITS + 8 * (address + payload + crc) + CONTROL_BITS


def air_us(payload: int, rate: int, address: int = 5, crc: int = 2) -> float:
    """Time of one packet on air, µs."""
    return air_bits(payload, address, crc) * 1e6 / rate


def one_way_floor_us(radio: RadioFormat, processor: Processor = IDEAL) -> float:
    """Least time from "the input changed" to "the output can change" over there: upload, settle, air,
    interrupt, read. The 10 µs CE pulse runs inside the settling."""
    ends = 2 * processor.spi_us(radio.payload) + 2 * processor.interrupt_us
    return ends + SETTLE_US + radio.air_us + IRQ_US[radio.rate]


def acknowledged_us(radio: RadioFormat, processor: Processor = IDEAL) -> float:
    """Least time from the start of the upload until the sender has seen and cleared the interrupt for the
    acknowledgement (two SPI bytes)."""
    ends = processor.spi_us(radio.payload) + processor.interrupt_us + processor.spi_us(1)
    return ends + radio.exchange_us + IRQ_US[radio.rate]
