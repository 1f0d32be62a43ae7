/* What the test programs share: a polled serial line at F_CPU / 8 / (DIVISOR + 1), 500 kbaud unless told. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/delay.h>
#ifndef DIVISOR
#define DIVISOR 3
#endif
static void line_on(void) { UBRR0 = DIVISOR; UCSR0A = _BV(U2X0); UCSR0B = _BV(RXEN0) | _BV(TXEN0); }
static inline void put(uint8_t v) { while (!(UCSR0A & _BV(UDRE0))); UDR0 = v; }
static inline void put16(uint16_t v) { put(v); put(v >> 8); }
static inline uint8_t get(void) { while (!(UCSR0A & _BV(RXC0))); return UDR0; }
