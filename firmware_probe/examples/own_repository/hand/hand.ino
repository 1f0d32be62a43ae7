// SPDX-License-Identifier: MIT
// Hand unit: button on D5 to ground, joystick on A2 and A3, transceiver: CE on D8, CSN on D10, no IRQ. 16 MHz.
#include <avr/io.h>
#include <util/delay.h>

#ifndef DEBOUNCE_MS
#define DEBOUNCE_MS 8
#endif
enum { SEND_MS = 15, CHANNEL = 62, BYTES = 5 };

static uint8_t swap(uint8_t out) {
  SPDR = out;
  while (!(SPSR & (1 << SPIF))) {
  }
  return SPDR;
}

static void command(uint8_t first, const uint8_t *data, uint8_t count) {
  PORTB &= ~(1 << PB2);
  swap(first);
  while (count--) swap(*data++);
  PORTB |= 1 << PB2;
}

static void write_register(uint8_t reg, uint8_t value) { command(0x20 | reg, &value, 1); }

static void radio_start() {
  static const uint8_t address[5] = {0x11, 0x5D, 0x29, 0x64, 0x3E};
  DDRB |= 1 << PB0 | 1 << PB2 | 1 << PB3 | 1 << PB5;
  PORTB |= 1 << PB2;
  SPCR = 1 << SPE | 1 << MSTR;
  _delay_ms(100);
  write_register(0x00, 0x0E);  // CRC of two bytes, power up, transmit
  write_register(0x01, 0x01);  // acknowledged
  write_register(0x02, 0x01);
  write_register(0x04, 0x1A);  // ten repeats, 500 us apart
  write_register(0x05, CHANNEL);
  write_register(0x06, 0x06);  // 1 Mbit/s, 0 dBm
  command(0x2A, address, 5);
  command(0x30, address, 5);
  _delay_ms(5);
}

static void radio_send(const uint8_t *data) {
  write_register(0x07, 0x70);
  command(0xE1, 0, 0);
  command(0xA0, data, BYTES);
  PORTB |= 1 << PB0;
  _delay_us(15);
  PORTB &= ~(1 << PB0);
}

static uint16_t analog(uint8_t channel) {
  ADMUX = 1 << REFS0 | channel;
  ADCSRA |= 1 << ADSC;
  while (ADCSRA & 1 << ADSC) {
  }
  return ADC;
}

void setup() {
  PORTD |= 1 << PD5;
  ADCSRA = 1 << ADEN | 7;
  radio_start();
}

// A turn is a millisecond and a little.
void loop() {
  static uint8_t pressed, steady, since;
  uint8_t down = !(PIND & 1 << PD5), changed = 0;
  steady = down == pressed ? 0 : steady + 1;
  if (steady >= DEBOUNCE_MS) {
    pressed = down;
    steady = 0;
    changed = 1;
  }
  if (changed || ++since >= SEND_MS) {
    uint16_t x = analog(2), y = analog(3);
    uint8_t data[BYTES] = {pressed, (uint8_t)x, (uint8_t)(x >> 8), (uint8_t)y, (uint8_t)(y >> 8)};
    radio_send(data);
    since = 0;
  }
  _delay_ms(1);
}

#ifndef ARDUINO
int main() {
  setup();
  for (;;) loop();
}
#endif
