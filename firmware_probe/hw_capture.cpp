// SPDX-License-Identifier: MIT
// Input capture on PB0.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

#define CAPTURES 4u  // power of two

static HwCapture captures[CAPTURES];
static volatile uint8_t capture_head, capture_tail;
static uint32_t rise_at;
static bool risen;

void hw_capture(bool on) {
  uint8_t held = hw_hold();
  risen = false;
  capture_tail = capture_head;
  TCCR1B |= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  TIMSK1 = on ? TIMSK1 | _BV(ICIE1) : TIMSK1 & (uint8_t)~_BV(ICIE1);
  hw_release(held);
}

bool hw_capture_take(HwCapture *capture) {
  if (capture_head == capture_tail) return false;
  *capture = captures[capture_tail];
  capture_tail = (capture_tail + 1) & (CAPTURES - 1);
  return true;
}

static void captured(uint32_t width) {
  uint8_t next = (capture_head + 1) & (CAPTURES - 1);
  if (next == capture_tail) return;
  captures[capture_head].rise = rise_at;
  captures[capture_head].width = width > 0xFFFF ? 0xFFFF : width;
  capture_head = next;
  hw_work = 1;
}

ISR(TIMER1_CAPT_vect) {
  uint16_t stamp = ICR1;
  bool rose = TCCR1B & _BV(ICES1);
  TCCR1B ^= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  uint32_t now = hw_ticks_held();
  uint16_t count = (uint16_t)(now >> HW_TICK_SHIFT);
  uint32_t at = now - ((uint32_t)(uint16_t)(count - stamp) << HW_TICK_SHIFT);
  if (rose) {
    rise_at = at;
  } else if (risen) {
    captured(at - rise_at);
  }
  risen = rose;
}
