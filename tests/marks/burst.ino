// More marks between two polls than are kept, now and then; in between so many that all have room.
#include <avr/interrupt.h>
#include <util/delay.h>
#include "probe_mark.h"

void setup() {
  sei();
  PROBE_BEGIN(PROBE_HAND, "");
}

void loop() {
  static uint16_t n;
  for (uint8_t i = 0; i < 9; i++) PROBE_QUEUED(n++);
  PROBE_POLL();
  _delay_ms(20);
  PROBE_POLL();
#if BURST
  for (uint8_t i = 0; i < 12; i++) PROBE_SENT(n);
  PROBE_POLL();
  _delay_ms(20);
#endif
}
