/* A polling master that does what it is told: 's' start, 'p' stop, 'w' b write, 'a' read with acknowledge, 'n' without.
 * After each but the stop it sends the status code, the data register and the cycles that it took. */
#include "firmware.h"
static uint16_t step(uint8_t control) {
    uint16_t start = TCNT1;
    TWCR = _BV(TWINT) | _BV(TWEN) | control;
    while (!(TWCR & _BV(TWINT)));
    return TCNT1 - start;
}
int main(void) {
    line_on();
    TCCR1B = _BV(CS10);
    TWBR = 12;
    TWSR = 0;
    for (;;) {
        uint8_t what = get();
        uint16_t took = 0;
        if (what == 's') took = step(_BV(TWSTA));
        if (what == 'w') { TWDR = get(); took = step(0); }
        if (what == 'a') took = step(_BV(TWEA));
        if (what == 'n') took = step(0);
        if (what == 'p') { TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO); while (TWCR & _BV(TWSTO)); }
        put(TWSR & 0xF8);
        put(TWDR);
        put16(took);
    }
}
