/* Compare outputs of timers 0 and 2 in the modes asked for by the first bytes in: TCCR0A TCCR0B OCR0A OCR0B, then the
 * same for timer 2. */
#include "firmware.h"
int main(void) {
    DDRD = _BV(6) | _BV(5) | _BV(3);
    DDRB = _BV(3);
    line_on();
    uint8_t v[8];
    for (uint8_t i = 0; i < 8; i++) v[i] = get();
    OCR0A = v[2]; OCR0B = v[3]; TCCR0A = v[0]; TCCR0B = v[1];
    OCR2A = v[6]; OCR2B = v[7]; TCCR2A = v[4]; TCCR2B = v[5];
    for (;;);
}
