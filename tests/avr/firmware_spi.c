/* Takes SPCR, SPSR, a count and so many bytes; exchanges them in one chip-select, sends what came in, then the ticks
 * (one a cycle) from before the first write to after the last byte. */
#include "firmware.h"
int main(void) {
    DDRB = _BV(5) | _BV(3) | _BV(2) | _BV(1);
    PORTB = _BV(1);
    line_on();
    TCCR1B = _BV(CS10);
    for (;;) {
        uint8_t in[40], out[40], control = get(), status = get(), n = get();
        for (uint8_t i = 0; i < n; i++) out[i] = get();
        SPCR = control;
        SPSR = status;
        PORTB &= ~_BV(1);
        uint16_t start = TCNT1;
        for (uint8_t i = 0; i < n; i++) { SPDR = out[i]; while (!(SPSR & _BV(SPIF))); in[i] = SPDR; }
        uint16_t end = TCNT1;
        PORTB |= _BV(1);
        for (uint8_t i = 0; i < n; i++) put(in[i]);
        put16(end - start);
    }
}
