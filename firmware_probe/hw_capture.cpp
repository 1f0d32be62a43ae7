// SPDX-License-Identifier: MIT
// Input capture on PB0.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "hw_chip.h"

#define EDGES 4u   // power of two: three wait, which at 400 Hz come in 2.5 ms
#define ROSE 0x80  // in a stamp's flags

static HwStamp edges[EDGES];
static volatile uint8_t edge_head, edge_tail;
static uint32_t rise_at;
static bool risen;

void hw_capture(bool on) {
  uint8_t held = hw_hold();
  risen = false;
  edge_tail = edge_head;
  TCCR1B |= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  TIMSK1 = on ? TIMSK1 | _BV(ICIE1) : TIMSK1 & (uint8_t)~_BV(ICIE1);
  hw_release(held);
}

// What is made of the edges waits until somebody asks: within the 8 seconds that a stamp holds.
bool hw_capture_take(HwCapture *capture) {
  while (edge_head != edge_tail) {
    const HwStamp &edge = edges[edge_tail];
    uint32_t at = hw_stamp_tick(edge), width = at - rise_at;
    bool rose = edge.flags & ROSE, whole = risen && !rose;
    edge_tail = (edge_tail + 1) & (EDGES - 1);
    risen = rose;
    if (whole) {
      capture->rise = rise_at;
      capture->width = width > 0xFFFF ? 0xFFFF : width;
      return true;
    }
    rise_at = at;
  }
  return false;
}

// The counter has an overflow that is not counted yet when its flag stands: this interrupt goes before that one.
ISR(TIMER1_CAPT_vect) {
  HwStamp &edge = edges[edge_head];
  edge.count = ICR1;
  edge.overflows = (uint8_t)hw_overflows;
  edge.flags = TIFR1 & (uint8_t)~ROSE;
  if (TCCR1B & _BV(ICES1)) edge.flags |= ROSE;
  TCCR1B ^= _BV(ICES1);
  TIFR1 = _BV(ICF1);
  uint8_t next = (edge_head + 1) & (EDGES - 1);
  if (next == edge_tail) return;
  edge_head = next;
  hw_work = 1;
}
