// What a mark costs: PC4 is high while one is made, with interrupts held, so that nothing else is counted.
#include <avr/interrupt.h>
#include <avr/io.h>
#include "probe_mark.h"

void setup() {
  DDRC |= 1 << 4;
  sei();
  PROBE_BEGIN(PROBE_HAND, "");
}

#define TIMED(mark) \
  do { \
    cli(); \
    PORTC |= 1 << 4; \
    mark; \
    PORTC &= ~(1 << 4); \
    sei(); \
  } while (0)

void loop() {
  static uint16_t n;
  if (PROBE_POLL()) return;
  n++;
  TIMED();  // what the timing itself takes
  TIMED(PROBE_SWITCH(n & 1));
  TIMED(PROBE_DECIDED(n & 1));
  TIMED(PROBE_QUEUED(n));
  TIMED(PROBE_SENT(n));
  TIMED(PROBE_RECEIVED(n));
  TIMED(PROBE_LED(n & 1));
  TIMED(PROBE_PULSE(n));
  for (uint16_t i = 0; i < 4000; i++) PORTB ^= 1;  // room for the serial line
}
