/* A pulse of WIDTH ticks on OC1A (PB1) every 20 ms, by compare outputs only; PORTB is written all the time meanwhile. */
#include "firmware.h"
#ifndef WIDTH
#define WIDTH 3000
#endif
static uint8_t high;
ISR(TIMER1_COMPA_vect) {
    high ^= 1;
    OCR1A += high ? WIDTH : 40000U - WIDTH;
    TCCR1A = high ? _BV(COM1A1) : _BV(COM1A1) | _BV(COM1A0);
}
int main(void) {
    DDRB = _BV(1) | _BV(5);
    OCR1A = 2000;
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1B = _BV(CS11);
    TIMSK1 = _BV(OCIE1A);
    sei();
    for (;;) PINB = _BV(5);
}
