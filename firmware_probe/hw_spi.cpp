// SPDX-License-Identifier: MIT
// SPI master at half the CPU clock (8 MHz at 16 MHz, the transceiver's limit at 10 pF), and the CSN and CE lines.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

// half the processor's clock, or 2 MHz for long wires
#define SPI_ON (_BV(SPE) | _BV(MSTR))
#if F_CPU == 16000000UL
#define SPI_SLOW (SPI_ON | _BV(SPR0))
#define SLOW_DOUBLED _BV(SPI2X)
#else
#define SPI_SLOW SPI_ON
#define SLOW_DOUBLED 0
#endif

static uint8_t unwired;  // where writes go when a line has no pin
static volatile uint8_t *csn_port = &unwired, *ce_port = &unwired;
static uint8_t csn_mask, ce_mask;
static bool slow;

void hw_spi_bind(uint8_t csn, uint8_t ce, bool slowly) {
  slow = slowly;
  SPCR = 0;
  if (hw_pin_exists(csn) && hw_pins_reserved(csn)) csn = NO_PIN;
  if (hw_pin_exists(ce) && hw_pins_reserved(ce)) ce = NO_PIN;
  hw_pin_output(csn, true);
  hw_pin_output(ce, false);
  csn_port = hw_pin_exists(csn) ? HW_PORT(csn) + HW_OUT : &unwired;
  ce_port = hw_pin_exists(ce) ? HW_PORT(ce) + HW_OUT : &unwired;
  csn_mask = HW_MASK(csn);
  ce_mask = HW_MASK(ce);
}

// Also puts the bus right after its pins were looked at one by one, or after PB2 (SS) pulled low as an input made
// the chip a slave.
static void set_up(void) {
  if (csn_port == &unwired) return;
  uint8_t held = hw_hold();
  DDRB = (DDRB | _BV(3) | _BV(5)) & (uint8_t)~_BV(4);
  PORTB |= _BV(4);  // a weak pull-up, so that an open MISO reads ones and not noise
  if (!(DDRB & _BV(2))) PORTB |= _BV(2);  // nor may an unused SS float
  SPCR = slow ? SPI_SLOW : SPI_ON;
  SPSR = slow ? SLOW_DOUBLED : _BV(SPI2X);
  hw_release(held);
}

void hw_spi_select(void) {
  if ((SPCR & SPI_ON) != SPI_ON) set_up();
  uint8_t held = hw_hold();
  *csn_port &= (uint8_t)~csn_mask;
  hw_release(held);
}

uint8_t hw_spi_swap(uint8_t byte) {
  SPDR = byte;
  // a line pulled low at SS clears the master bit in the middle of it; the flag may then never come
  while (!(SPSR & _BV(SPIF)) && (SPCR & _BV(MSTR))) {
  }
  return SPDR;
}

void hw_spi_release(void) {
  uint8_t held = hw_hold();
  *csn_port |= csn_mask;
  hw_release(held);
}

HW_FAST uint8_t hw_spi_send(uint8_t command, const uint8_t *data, uint8_t size) {
  hw_spi_select();
  uint8_t status = hw_spi_swap(command);
  while (size--) {
    SPDR = *data++;
    while (!(SPSR & _BV(SPIF)) && (SPCR & _BV(MSTR))) {
    }
  }
  (void)SPDR;
  hw_spi_release();
  return status;
}

HW_FAST uint8_t hw_spi_fetch(uint8_t command, uint8_t *data, uint8_t size) {
  hw_spi_select();
  uint8_t status = hw_spi_swap(command);
  while (size--) {
    SPDR = 0xFF;
    while (!(SPSR & _BV(SPIF)) && (SPCR & _BV(MSTR))) {
    }
    *data++ = SPDR;
  }
  hw_spi_release();
  return status;
}

uint8_t hw_spi_two(uint8_t first, uint8_t second, uint8_t *second_in) {
  hw_spi_select();
  SPDR = first;
  while (!(SPSR & _BV(SPIF)) && (SPCR & _BV(MSTR))) {
  }
  uint8_t in = SPDR;
  SPDR = second;
  while (!(SPSR & _BV(SPIF)) && (SPCR & _BV(MSTR))) {
  }
  *second_in = SPDR;
  hw_spi_release();
  return in;
}

void hw_ce(bool level) {
  uint8_t held = hw_hold();
  if (level) {
    *ce_port |= ce_mask;
  } else {
    *ce_port &= (uint8_t)~ce_mask;
  }
  hw_release(held);
}

uint32_t hw_ce_rise(void) {
  uint8_t held = hw_hold();
  *ce_port |= ce_mask;
  uint32_t at = hw_ticks_held();
  hw_release(held);
  return at;
}
