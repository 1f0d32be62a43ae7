/* Timer 1 free-running at 1/8 of the clock; sends the captured time of every edge on PB0. */
#include "firmware.h"
static volatile uint16_t at[16];
static volatile uint8_t n;
ISR(TIMER1_CAPT_vect) { at[n++ & 15] = ICR1; TCCR1B ^= _BV(ICES1); TIFR1 = _BV(ICF1); }
int main(void) {
    line_on();
    TCCR1B = _BV(CS11) | _BV(ICES1);
    TIMSK1 = _BV(ICIE1);
    sei();
    for (uint8_t sent = 0;;)
        if (sent != n) put16(at[sent++ & 15]);
}
