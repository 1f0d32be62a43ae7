// SPDX-License-Identifier: MIT
// Timer 1 runs free at 2 MHz (1 MHz on an 8 MHz chip) and is the clock; timer 2 gives the millisecond and wakes.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include "hw_chip.h"

static volatile uint16_t milliseconds;

// Timer 2 counts 4 us steps, 250 to the millisecond.
#if F_CPU == 16000000UL
#define T2_CLOCK (_BV(CS22))
#else
#define T2_CLOCK (_BV(CS21) | _BV(CS20))
#endif

void hw_ticks_start(void) {
  TIMSK0 = 0;  // the usual IDE's start-up code leaves its own clock running there
  TCCR1A = 0;
  TCCR1B = _BV(CS11);
  TIMSK1 = _BV(TOIE1);
  TCCR2A = _BV(WGM21);
  TCCR2B = T2_CLOCK;
  OCR2A = 249;
  TIMSK2 = _BV(OCIE2A);
}

uint32_t hw_ticks(void) {
  uint8_t held = hw_hold();
  uint32_t now = hw_ticks_held();
  hw_release(held);
  return now;
}

uint16_t hw_ms(void) {
  uint8_t held = hw_hold();
  uint16_t ms = milliseconds;
  hw_release(held);
  return ms;
}

void hw_hold_ms(void) {
  uint8_t held = hw_hold();
  TIMSK2 &= (uint8_t)~_BV(OCIE2A);
  hw_release(held);
}

void hw_release_ms(void) {
  uint8_t held = hw_hold();
  TIMSK2 |= _BV(OCIE2A);
  hw_release(held);
}

// By the counter's low byte alone: reading both takes the register TEMP, which interrupts that read the counter share.
void hw_wait_us(uint8_t us) {
  uint8_t from = TCNT1L, ticks = (uint8_t)(us * TICKS_PER_US) >> HW_TICK_SHIFT;
  while ((uint8_t)(TCNT1L - from) <= ticks) {
  }
}

void hw_hold_moment(void) {
  if (!TIMSK0) cli();
}

// Held for the last 40 us: the longest work of an interrupt takes 30, and the serial receiver holds bytes for 60.
void hw_wait_tick(uint32_t tick) {
  int32_t left;
  while ((left = (int32_t)(tick - hw_ticks())) > 80) {
  }
  hw_hold_moment();
  uint16_t until = tick >> HW_TICK_SHIFT;
  while (left > 0 && (int16_t)(TCNT1 - until) < 0) {
  }
}

bool hw_active(void) {
  bool was = hw_work;
  hw_work = 0;
  return was;
}

// A wake-up within this millisecond comes from timer 2's second compare, 8 to 16 ticks early; a later one from the
// millisecond itself. Interrupts are held for moments only: they stamp what happens.
static void wake_within_ms(uint32_t tick) {
  uint8_t held = hw_hold();
  int32_t left = (int32_t)(tick - hw_ticks_held());
  uint8_t at = TCNT2;
  hw_release(held);
  if (left < (int32_t)TICKS_PER_MS) {
    at += (uint8_t)(left / 8) - 1;
    if (left > 16 && at < 249) {
      OCR2B = at;
      TIFR2 = _BV(OCF2B);
      held = hw_hold();
      TIMSK2 |= _BV(OCIE2B);
      hw_release(held);
    }
    if ((int32_t)(tick - hw_ticks()) <= 20) hw_work = 1;  // the compare has passed, or may have
  }
}

void hw_sleep_until(uint32_t tick) {
  if (hw_work) return;  // an edge, more often than not: it does not wait for what a sleep has prepared
  wake_within_ms(tick);
  cli();
  set_sleep_mode(SLEEP_MODE_IDLE);
  while (!hw_work) {
    sleep_enable();
    sei();
    sleep_cpu();
    sleep_disable();
    cli();
  }
  TIMSK2 &= (uint8_t)~_BV(OCIE2B);
  sei();
}

ISR(TIMER2_COMPB_vect) { hw_work = 1; }

// The serial line's bytes come every 20 us and the receiver holds two, and edges are stamped: all are let in.
HW_OPEN_ISR(TIMER2_COMPA_vect, TIMSK2, OCIE2A) {
  milliseconds++;
  hw_work = 1;
  hw_on_ms(hw_ticks());
}
