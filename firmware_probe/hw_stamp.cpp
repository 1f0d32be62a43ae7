// SPDX-License-Identifier: MIT
// Timer 1's count and its overflows as ticks; interrupts held and let in.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

volatile uint16_t hw_overflows;
volatile uint8_t hw_work;

ISR(TIMER1_OVF_vect) { hw_overflows++; }

uint32_t hw_ticks_held(void) {
  uint16_t low = TCNT1, high = hw_overflows;
  if ((TIFR1 & _BV(TOV1)) && low < 0x8000) high++;
  return (((uint32_t)high << 16) | low) << HW_TICK_SHIFT;
}

// TOV1 is bit 0: an overflow that had not been counted yet.
uint32_t hw_stamp_tick(const HwStamp &s) {
  uint8_t held = hw_hold();
  uint16_t high = hw_overflows;
  hw_release(held);
  high -= (uint8_t)(high - s.overflows);
  if ((s.flags & 1) && s.count < 0x8000) high++;
  return (((uint32_t)high << 16) | s.count) << HW_TICK_SHIFT;
}

uint8_t hw_hold(void) {
  uint8_t held = SREG;
  cli();
  return held;
}

void hw_release(uint8_t held) { SREG = held; }

void hw_let_in(void) { sei(); }
