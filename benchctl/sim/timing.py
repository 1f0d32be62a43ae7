"""How long the probe firmware takes for things, in seconds at 16 MHz; a board at 8 MHz takes twice as long.

Sources: "sheet" is the ATmega328P data sheet; "image" was measured on the compiled image in the AVR simulator at
16 MHz (medians of 60 to 300); "count" is instructions counted by hand.
"""

from __future__ import annotations

from typing import NamedTuple


class Timing(NamedTuple):
    """Times of one board, in seconds."""

    #: last byte of a request in, until its handler runs (image: 108 µs from a clock request to its answer's start)
    turn: float = 58e-6
    #: of that, per byte of the frame (count)
    turn_byte: float = 2.5e-6
    #: from the handler's end to the first start bit of the answer (image, with `turn`)
    answer: float = 43e-6
    #: interrupt entry to the reading of the timer: 4 cycles, jump, prologue (sheet 7.7.1, count)
    isr_least: float = 1.5e-6
    #: … up to this when the interrupted instruction is long
    isr_most: float = 2.0e-6
    #: chance that another interrupt runs just then, and the longest that it holds up (image: edges at random times
    #: while their events go out; 7 % by more than 0.6 µs, 4.3 µs at most)
    isr_busy: float = 0.08
    isr_hold: float = 4e-6
    #: from the stamp of an edge to that of the next one that came meanwhile, at least and at most (image)
    isr_again_least: float = 5.5e-6
    isr_again_most: float = 6.0e-6
    #: SPI at 8 MHz with the loop around it (image: 29 µs for the upload of 8 bytes)
    spi_byte: float = 2.5e-6
    #: CSN low to the first byte and last byte to CSN high, calls included (image)
    spi_frame: float = 6.5e-6
    #: radio interrupt to the next CE, back to back: flags read and cleared (image: 314 µs from packet to packet)
    radio_isr: float = 37e-6
    #: … and the retry counter read (image: 530 µs from packet to packet)
    observe: float = 13e-6
    #: CE to the upload of the next payload, back to back (image)
    upload_after: float = 44e-6
    #: chance that the main loop is coding or sending just then, and the longest that it holds up (image)
    loop_busy: float = 0.1
    loop_hold: float = 130e-6
    #: a paced packet's upload begins at most so late: the loop's turn (image)
    pace_late: float = 20e-6
    #: echo's interrupt to the next ping's upload (image: 1293 µs from ping to ping)
    ping_turn: float = 225e-6
    #: main loop from a flag set by an interrupt to the code that acts on it (count)
    loop: float = 12e-6
    #: without the transceiver's IRQ: between two looks at its flags, and at most (image: of 400 packets 99 % are seen
    #: within 61 µs, all within 71 µs; the longest that it tells of itself is 934 µs, when a full frame is coded)
    poll: float = 60e-6
    poll_most: float = 930e-6
    #: chance of such a look
    poll_busy: float = 0.002
    #: one conversion: 13 ADC clocks, 25 the first after switching it on (sheet 24.4)
    adc_clocks: float = 13.0
    #: sample-and-hold takes place so many ADC clocks after the start (sheet 24.4)
    adc_hold_clocks: float = 1.5
    #: a droop's conversion begins so long after its tick, at least and at most: the loop that waits for it (image)
    convert_least: float = 2.4e-6
    convert_most: float = 3.2e-6
    #: settling of the band-gap after it is selected (sheet 29, 70 µs at most), kept by the firmware
    bandgap_settle: float = 100e-6
    #: EEPROM write of one byte (sheet 8.4.3: 3.3 ms)
    eeprom_byte: float = 3.4e-3
    #: reset released to the first instruction: fuse SUT, 65 ms (sheet 9.2)
    start_up: float = 65e-3
    #: first instruction to the boot message (count)
    init: float = 3e-3
    #: image CRC over 32 KB by the idle loop, then kept (count)
    image_crc: float = 0.25
    #: watchdog (sheet 10.9)
    watchdog: float = 0.25
    #: the shortest one, used for the restart request (sheet 10.9: 16 ms)
    watchdog_short: float = 16e-3
    #: TWI at 400 kHz: 9 bits a byte, start and stop
    twi_byte: float = 23.5e-6
    twi_frame: float = 12e-6


#: at 16 MHz
AT_16 = Timing()
_SCALED = (
    "turn", "turn_byte", "answer", "isr_least", "isr_most", "isr_hold", "isr_again_least",
    "isr_again_most", "spi_byte", "spi_frame", "radio_isr", "observe",
    "upload_after", "loop_hold", "pace_late", "ping_turn", "loop", "poll", "poll_most",
    "init", "image_crc", "convert_least", "convert_most",
)  # fmt: skip


def timing(clock_hz: int) -> Timing:
    """The table for a processor clock."""
    factor = 16e6 / clock_hz
    return AT_16._replace(**{name: getattr(AT_16, name) * factor for name in _SCALED})


#: bytes of the receive and transmit rings
RX_RING = 128
TX_RING = 511
#: between two looks at whether the transceiver holds its settings, while nothing uses it
RADIO_CHECK = 0.1
