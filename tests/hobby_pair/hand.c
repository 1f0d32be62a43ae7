// A hand unit as a hobbyist writes it: joystick on A0 and A1, push button on D3, radio on D6, D7 and SPI.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include "radio.h"

#ifndef DEBOUNCE_MS
#define DEBOUNCE_MS 10
#endif
#ifndef SEND_MS
#define SEND_MS 20
#endif
#ifdef RENAMED
#define last_sent moment_of_last_packet
#define pressed key_is_down
#define counter sequence
#endif

static volatile uint16_t ms;
ISR(TIMER0_COMPA_vect) { ms++; }

static uint16_t now(void) {
  cli();
  uint16_t t = ms;
  sei();
  return t;
}

static uint16_t analog(uint8_t channel) {
  uint16_t sum = 0;
  ADMUX = 1 << REFS0 | channel;
  for (uint8_t i = 0; i < 4; i++) {
    ADCSRA |= 1 << ADSC;
    while (ADCSRA & 1 << ADSC) {
    }
    sum += ADC;
  }
  return sum / 4;
}

static uint16_t stick(uint8_t channel) {
  uint16_t x = analog(channel);
#ifdef SLOW_FILTER
  static uint16_t kept[2] = {512 * 8, 512 * 8};
  kept[channel] += x - kept[channel] / 8;
  x = kept[channel] / 8;
#endif
#ifdef DEAD_BAND
  if (x > 512 - DEAD_BAND && x < 512 + DEAD_BAND) x = 512;
#endif
#ifdef REVERSED
  x = 1023 - x;
#endif
  return x;
}

int main(void) {
  uint8_t pressed = 0, was = 0, counter = 0;
  uint16_t since = 0, last_sent = 0;
  PORTD |= 1 << 3;
  TCCR0A = 1 << WGM01;
  TCCR0B = 1 << CS01 | 1 << CS00;
  OCR0A = 249;
  TIMSK0 = 1 << OCIE0A;
  ADCSRA = 1 << ADEN | 7;
  sei();
  radio_start(0);
  for (;;) {
#ifdef LOOP_MS
    _delay_ms(LOOP_MS);
#endif
    sleep_mode();
    uint16_t t = now();
    uint8_t down = !(PIND & 1 << 3), changed = 0;
    if (down == was) since = t;
    if (down != was && (uint16_t)(t - since) >= DEBOUNCE_MS) {
      was = pressed = down;
      changed = 1;
    }
#ifdef SENSOR_BLOCKS
    _delay_ms(6);
#endif
    if (!changed && (uint16_t)(t - last_sent) < SEND_MS) continue;
    last_sent = t;
#ifdef REORDERED
    uint16_t y = stick(1), x = stick(0);
#else
    uint16_t x = stick(0), y = stick(1);
#endif
    uint8_t data[SIZE] = {counter++, pressed, x & 0xFF, x >> 8, y & 0xFF, y >> 8};
    radio_send(data);
  }
}
