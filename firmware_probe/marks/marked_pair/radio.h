// A few lines for the nRF24L01+, written from its product specification: a few bytes one way, acknowledged.
#pragma once
#include <avr/io.h>
#include <util/delay.h>

#ifndef CHANNEL
#define CHANNEL 40
#endif
#ifndef RETRIES
#define RETRIES 8
#endif
#ifndef RETRY_DELAY
#define RETRY_DELAY 1  // in steps of 250 us, from 250 us
#endif
#ifndef CRC_BITS
#define CRC_BITS 0x0C  // EN_CRC and CRCO: two bytes
#endif
#ifndef AUTO_ACK
#define AUTO_ACK 1
#endif
#ifndef SIZE
#define SIZE 6
#endif

#define CE_HIGH (PORTD |= 1 << 6)
#define CE_LOW (PORTD &= ~(1 << 6))
#define CSN_HIGH (PORTD |= 1 << 7)
#define CSN_LOW (PORTD &= ~(1 << 7))

static uint8_t swap(uint8_t out) {
  SPDR = out;
  while (!(SPSR & (1 << SPIF))) {
  }
  return SPDR;
}

static uint8_t radio_command(uint8_t command, uint8_t value) {
  CSN_LOW;
  swap(command);
  uint8_t back = swap(value);
  CSN_HIGH;
  return back;
}

static uint8_t radio_read(uint8_t reg) { return radio_command(reg, 0xFF); }
static void radio_write(uint8_t reg, uint8_t value) { radio_command(0x20 | reg, value); }

static void radio_short(uint8_t command) {
  CSN_LOW;
  swap(command);
  CSN_HIGH;
}

static void radio_address(uint8_t reg) {
  CSN_LOW;
  swap(0x20 | reg);
  for (uint8_t i = 0; i < 5; i++) swap(0x3A + 17 * i);
  CSN_HIGH;
}

static void radio_start(uint8_t receive) {
  DDRD |= 1 << 6 | 1 << 7;
  CSN_HIGH;
  CE_LOW;
  DDRB |= 1 << 2 | 1 << 3 | 1 << 5;
  SPCR = 1 << SPE | 1 << MSTR;
  SPSR = 1 << SPI2X;
  _delay_ms(100);
  radio_write(0x00, CRC_BITS);
  radio_write(0x01, AUTO_ACK);
  radio_write(0x02, 1);
  radio_write(0x04, RETRY_DELAY << 4 | RETRIES);
  radio_write(0x05, CHANNEL);
  radio_write(0x06, 0x06);
  radio_address(0x0A);
  radio_address(0x10);
  radio_write(0x11, SIZE);
  radio_short(0xE1);
  radio_short(0xE2);
  radio_write(0x07, 0x70);
  radio_write(0x00, CRC_BITS | 0x02 | receive);
  _delay_ms(5);
  if (receive) CE_HIGH;
}

static inline void radio_send(const uint8_t *data) {
  radio_write(0x07, 0x70);
  radio_short(0xE1);
  CSN_LOW;
  swap(0xA0);
  for (uint8_t i = 0; i < SIZE; i++) swap(data[i]);
  CSN_HIGH;
  CE_HIGH;
  _delay_us(15);
  CE_LOW;
}

static inline uint8_t radio_receive(uint8_t *data) {
  if (radio_read(0x17) & 1) return 0;
  CSN_LOW;
  swap(0x61);
  for (uint8_t i = 0; i < SIZE; i++) data[i] = swap(0xFF);
  CSN_HIGH;
  radio_write(0x07, 0x40);
  return 1;
}
