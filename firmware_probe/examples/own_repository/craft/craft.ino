// SPDX-License-Identifier: MIT
// Craft: LED on D3, servo on D9, motor controller on D6, transceiver: CE on D8, CSN on D10, no IRQ. 16 MHz.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#ifndef LED_TURNS
#define LED_TURNS 1  // the LED is set at every so many turns of the loop
#endif
enum { CHANNEL = 62, BYTES = 5, IDLE_US = 1000, CENTRE_US = 1500, FRAME_US = 20000, SILENCE_TURNS = 400, MOTOR_FROM = 600 };

static volatile uint16_t servo_us = CENTRE_US, motor_us = IDLE_US;

// One pulse after the other, then the rest of the frame; the timer runs at 2 MHz.
ISR(TIMER1_COMPA_vect) {
  static uint8_t step;
  static uint16_t used;
  uint16_t wait;
  if (step == 0) {
    PORTB |= 1 << PB1;
    used = wait = 2 * servo_us;
  } else if (step == 1) {
    PORTB &= ~(1 << PB1);
    PORTD |= 1 << PD6;
    wait = 2 * motor_us;
    used += wait;
  } else {
    PORTD &= ~(1 << PD6);
    wait = 2U * FRAME_US - used;
  }
  OCR1A += wait;
  step = step == 2 ? 0 : step + 1;
}

static uint8_t swap(uint8_t out) {
  SPDR = out;
  while (!(SPSR & (1 << SPIF))) {
  }
  return SPDR;
}

static uint8_t command(uint8_t first, const uint8_t *data, uint8_t *back, uint8_t count) {
  PORTB &= ~(1 << PB2);
  uint8_t status = swap(first);
  for (uint8_t i = 0; i < count; i++) {
    uint8_t got = swap(data ? data[i] : 0xFF);
    if (back) back[i] = got;
  }
  PORTB |= 1 << PB2;
  return status;
}

static void write_register(uint8_t reg, uint8_t value) { command(0x20 | reg, &value, 0, 1); }

static void radio_start() {
  static const uint8_t address[5] = {0x11, 0x5D, 0x29, 0x64, 0x3E};
  DDRB |= 1 << PB0 | 1 << PB2 | 1 << PB3 | 1 << PB5;
  PORTB |= 1 << PB2;
  SPCR = 1 << SPE | 1 << MSTR;
  _delay_ms(100);
  write_register(0x00, 0x0F);  // CRC of two bytes, power up, receive
  write_register(0x01, 0x01);
  write_register(0x02, 0x01);
  write_register(0x05, CHANNEL);
  write_register(0x06, 0x06);
  command(0x2A, address, 0, 5);
  write_register(0x11, BYTES);
  command(0xE2, 0, 0, 0);
  _delay_ms(5);
  PORTB |= 1 << PB0;
}

static bool radio_receive(uint8_t *data) {
  uint8_t fifo;
  command(0x17, 0, &fifo, 1);
  if (fifo & 1) return false;
  command(0x61, 0, data, BYTES);
  write_register(0x07, 0x40);
  return true;
}

static void set(uint16_t servo, uint16_t motor) {
  cli();
  servo_us = servo;
  motor_us = motor;
  sei();
}

void setup() {
  DDRD |= 1 << PD3 | 1 << PD6;
  DDRB |= 1 << PB1;
  TCCR1A = 0;
  TCCR1B = 1 << CS11;
  OCR1A = 1000;
  TIMSK1 = 1 << OCIE1A;
  sei();
  radio_start();
}

// A turn is half a millisecond and a little. The motor turns from a little above the stick's middle.
void loop() {
  static uint8_t lit, turn;
  static uint16_t silent;
  uint8_t data[BYTES];
  if (radio_receive(data)) {
    uint16_t x = data[1] | data[2] << 8, y = data[3] | data[4] << 8;
    lit = data[0];
    uint16_t above = y > MOTOR_FROM ? y - MOTOR_FROM : 0;
    set(1000 + (uint32_t)x * 1000 / 1023, IDLE_US + above / 2);
    silent = 0;
  } else if (++silent > SILENCE_TURNS) {
    set(CENTRE_US, IDLE_US);
    silent = 0;
  }
  if (++turn >= LED_TURNS) {
    turn = 0;
    if (lit) {
      PORTD |= 1 << PD3;
    } else {
      PORTD &= ~(1 << PD3);
    }
  }
  _delay_us(500);
}

#ifndef ARDUINO
int main() {
  setup();
  for (;;) loop();
}
#endif
